"""Signatures on the statement of a sealed report, made and verified by OpenSSH (`ssh-keygen -Y`).

References
----------
.. [1] OpenSSH, PROTOCOL.sshsig: the format of detached signatures.
.. [2] ssh-keygen(1), -Y sign, -Y find-principals, -Y verify; ALLOWED SIGNERS.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.report.placing import new_file

__all__ = ["NAMESPACE", "SignatureCheck", "sign_statement", "signature_path", "verify_signature"]

NAMESPACE = "auditkit"
"""What a signature is for; one made for mail or for code does not pass here."""

_PATIENCE_S = 60
_GOOD = re.compile(r'Good "[^"]*" signature for (?P<signer>.*) with (?P<kind>\S+) key (?P<key>SHA256:\S+)')
_SOLE_SIGNER = "signer"
_METHOD = f"OpenSSH signature over the bytes of the statement, namespace {NAMESPACE}, verified by ssh-keygen."


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureCheck:
    """Whether a statement was signed by one of those allowed to.

    Parameters
    ----------
    ok : bool
    signer : str
        As the list of allowed signers calls the one whose key it is; empty
        where it was verified against one key, or is not good.
    key : str
        Fingerprint of the key, as OpenSSH prints it; empty if not good.
    why : str
        Why it is not good; empty if it is.
    method : str
    """

    ok: bool
    signer: str
    key: str
    why: str
    method: str = _METHOD


def signature_path(statement: Path) -> Path:
    """Return where the signature on a statement lies.

    Examples
    --------
    >>> signature_path(Path("report.statement.json")).name
    'report.statement.json.sig'
    """
    return statement.parent / f"{statement.name}.sig"


def sign_statement(statement: Path, *, key: Path) -> Path:
    """Write the signature on a statement beside it, and return its path.

    Parameters
    ----------
    statement : Path
    key : Path
        Private key of SSH without a passphrase, or a public key whose private
        one the agent holds (the way for keys that have a passphrase).

    Raises
    ------
    SourceError
        There is a signature already, the key cannot be used, or OpenSSH is not installed.
    """
    out = signature_path(statement)
    if out.exists():
        raise SourceError(f"{out}: must not be there before signing; there is a signature already. Move it away.")
    message = _bytes_of(statement, "a statement")
    _bytes_of(key, "a key of SSH")
    done = _ssh_keygen("sign", "-f", str(key.resolve()), "-n", NAMESPACE, message=message)
    if done.returncode != 0 or not done.stdout.startswith(b"-----BEGIN SSH SIGNATURE-----"):
        raise SourceError(f"{key}: must be a key that can sign; {_key_fault(_said(done))}")
    return new_file(out, done.stdout)


def verify_signature(
    statement: bytes, signature: Path, *, allowed_signers: Path | None = None, public_key: Path | None = None
) -> SignatureCheck:
    """Return whether a signature on a statement is good, and whose it is.

    Parameters
    ----------
    statement : bytes
        The statement as read, so that what was verified is what is used.
    signature : Path
    allowed_signers : Path, optional
        Names and keys of those who may sign, in the format of OpenSSH [2]_.
    public_key : Path, optional
        One key; give either this or `allowed_signers`. It must come from
        elsewhere than the report itself, or it proves nothing.

    Raises
    ------
    SourceError
        Neither or both are given, a file cannot be read, or OpenSSH is not installed.
    """
    if (allowed_signers is None) == (public_key is None):
        raise SourceError("A signature must be held against allowed_signers or a public key; give one of them.")
    _bytes_of(signature, "a signature")
    with tempfile.TemporaryDirectory() as place:
        if public_key is not None:
            signers = Path(place) / "signers"
            signers.write_text(f"{_SOLE_SIGNER} {_public_line(public_key)}\n", encoding="utf-8")
        else:
            assert allowed_signers is not None
            _bytes_of(allowed_signers, "a list of allowed signers")
            signers = allowed_signers.resolve()
        given = ("-s", str(signature.resolve()), "-f", str(signers))
        found = _ssh_keygen("find-principals", *given, message=b"")
        names = found.stdout.decode("utf-8", "replace").splitlines()
        if found.returncode != 0 or not names:
            return SignatureCheck(ok=False, signer="", key="", why=_why_not(_said(found)))
        done = _ssh_keygen("verify", *given, "-n", NAMESPACE, "-I", names[0], message=statement)
    good = _GOOD.search(done.stdout.decode("utf-8", "replace"))
    if done.returncode != 0 or good is None:
        return SignatureCheck(ok=False, signer="", key="", why=_why_not(_said(done)))
    return SignatureCheck(ok=True, signer="" if public_key is not None else good["signer"], key=good["key"], why="")


def _ssh_keygen(action: str, *given: str, message: bytes) -> subprocess.CompletedProcess[bytes]:
    """Run ssh-keygen on a message, without a terminal it could ask on."""
    program = shutil.which("ssh-keygen")
    if program is None:
        raise SourceError(
            "ssh-keygen must be there to sign and verify; it was not found. Install OpenSSH 8.2 or later."
        )
    surroundings = {**os.environ, "LC_ALL": "C", "SSH_ASKPASS_REQUIRE": "never"}
    try:
        return subprocess.run(
            [program, "-Y", action, *given],
            input=message,
            capture_output=True,
            timeout=_PATIENCE_S,
            env=surroundings,
            start_new_session=True,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise SourceError(
            f"ssh-keygen must answer within {_PATIENCE_S} s; it did not. Look at the key's agent."
        ) from error


def _said(done: subprocess.CompletedProcess[bytes]) -> str:
    """Return what ssh-keygen said, in one line."""
    text = (done.stderr + b" " + done.stdout).decode("utf-8", "replace")
    return " ".join(text.split())[:300] or "nothing"


def _key_fault(said: str) -> str:
    if "passphrase" in said:
        return (
            "it has a passphrase, and nothing is asked here. Load it into the agent (ssh-add), and give the public key."
        )
    if "too open" in said or "UNPROTECTED" in said:
        return "others may read it. Take their permission away (chmod 600)."
    if "No private key found" in said or "agent" in said:
        return "its private key is neither beside it nor with the agent. Load it with ssh-add, or give the private key."
    return f"ssh-keygen says: {said}. Give a private key of SSH."


def _why_not(said: str) -> str:
    if "no principal matched" in said.lower() or said == "nothing":
        return "no key that is allowed made it, or that key is no longer valid, or the signature is damaged"
    if "namespace" in said:
        return "it was made for another purpose than a sealed report"
    if "incorrect signature" in said:
        return "it is not a signature on this statement"
    return f"ssh-keygen says: {said}"


def _bytes_of(path: Path, what: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise SourceError(
            f"{path}: must be {what}; the system says: {error.strerror or error}. Correct the path."
        ) from error


def _public_line(path: Path) -> str:
    """Return the one line of a public key, without its comment."""
    lines = [line for line in _bytes_of(path, "a public key").decode("utf-8", "replace").splitlines() if line.strip()]
    parts = lines[0].split() if len(lines) == 1 else []
    if len(parts) < 2 or not parts[0].startswith(("ssh-", "ecdsa-", "sk-")) or not parts[1].startswith("AAAA"):
        raise SourceError(
            f"{path}: must be one public key of SSH; given something else. Give the file that ends in .pub."
        )
    return " ".join(parts[:2])
