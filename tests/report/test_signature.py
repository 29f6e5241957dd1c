"""Signatures, made and verified by OpenSSH; these tests need ssh-keygen, as signing does."""

import shutil
import subprocess

import pytest

from auditkit.errors import SourceError
from auditkit.report.signature import sign_statement, signature_path, verify_signature


def ssh_keygen(*given, message=b""):
    return subprocess.run(["ssh-keygen", *map(str, given)], input=message, capture_output=True, check=True).stdout


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    place = tmp_path_factory.mktemp("keys")
    for name, phrase in (("own", ""), ("other", ""), ("locked", "a phrase")):
        ssh_keygen("-q", "-t", "ed25519", "-N", phrase, "-C", "x", "-f", place / name)
    return place


@pytest.fixture
def statement(tmp_path):
    path = tmp_path / "report.statement.json"
    path.write_bytes(b'{"seal": 1}\n')
    return path


def test_a_signature_by_an_allowed_key_is_good_and_named(statement, keys, tmp_path):
    signature = sign_statement(statement, key=keys / "own")
    assert signature == signature_path(statement)
    signers = tmp_path / "signers"
    signers.write_text(f"lund@example.org {(keys / 'own.pub').read_text()}")
    found = verify_signature(statement.read_bytes(), signature, allowed_signers=signers)
    fingerprint = ssh_keygen("-l", "-f", keys / "own.pub").decode().split()[1]
    assert (found.ok, found.signer, found.key, found.why) == (True, "lund@example.org", fingerprint, "")
    by_key = verify_signature(statement.read_bytes(), signature, public_key=keys / "own.pub")
    assert (by_key.ok, by_key.signer, by_key.key) == (True, "", fingerprint)


def test_openssh_itself_verifies_it(statement, keys, tmp_path):
    signature = sign_statement(statement, key=keys / "own")
    (tmp_path / "signers").write_text(f"k {(keys / 'own.pub').read_text()}")
    told = ssh_keygen("-Y", "verify", "-f", tmp_path / "signers", "-I", "k", "-n", "auditkit", "-s", signature,
                      message=statement.read_bytes())  # fmt: skip
    assert told.startswith(b'Good "auditkit" signature for k')


def test_signing_with_a_public_key_whose_private_one_lies_beside_it(statement, keys):
    signature = sign_statement(statement, key=keys / "own.pub")
    assert verify_signature(statement.read_bytes(), signature, public_key=keys / "own.pub").ok


def test_another_statement_and_every_changed_byte_are_refused(statement, keys):
    signature = sign_statement(statement, key=keys / "own")
    content = statement.read_bytes()
    for at in range(len(content)):
        changed = content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :]
        found = verify_signature(changed, signature, public_key=keys / "own.pub")
        assert (found.ok, found.key, found.why) == (False, "", "it is not a signature on this statement")


def test_keys_that_are_not_allowed(statement, keys, tmp_path):
    signature = sign_statement(statement, key=keys / "own")
    why = "no key that is allowed made it, or that key is no longer valid, or the signature is damaged"
    found = verify_signature(statement.read_bytes(), signature, public_key=keys / "other.pub")
    assert (found.ok, found.why) == (False, why)
    signers = tmp_path / "signers"
    for options in ('valid-before="20200101"', 'namespaces="git"'):
        signers.write_text(f"k {options} {(keys / 'own.pub').read_text()}")
        assert not verify_signature(statement.read_bytes(), signature, allowed_signers=signers).ok
    signers.write_text("")
    assert not verify_signature(statement.read_bytes(), signature, allowed_signers=signers).ok


def test_a_signature_for_another_purpose(statement, keys, tmp_path):
    signature = tmp_path / "other.sig"
    signature.write_bytes(ssh_keygen("-Y", "sign", "-f", keys / "own", "-n", "git", message=statement.read_bytes()))
    found = verify_signature(statement.read_bytes(), signature, public_key=keys / "own.pub")
    assert (found.ok, found.why) == (False, "it was made for another purpose than a sealed report")


def test_damaged_signatures(statement, keys):
    signature = sign_statement(statement, key=keys / "own")
    whole = signature.read_bytes()
    for content in (
        b"",
        b"junk",
        whole[:60],
        whole.replace(b"SSH SIGNATURE", b"PGP SIGNATURE"),
        whole[:90] + whole[91:],
    ):
        signature.write_bytes(content)
        assert not verify_signature(statement.read_bytes(), signature, public_key=keys / "own.pub").ok


def test_keys_that_cannot_sign(statement, keys, tmp_path):
    with pytest.raises(SourceError, match=r"it has a passphrase, and nothing is asked here\. Load it into the agent"):
        sign_statement(statement, key=keys / "locked")
    with pytest.raises(SourceError, match="must be a key of SSH; the system says: No such file"):
        sign_statement(statement, key=keys / "none")
    (tmp_path / "alone.pub").write_bytes((keys / "own.pub").read_bytes())
    with pytest.raises(SourceError, match="neither beside it nor with the agent"):
        sign_statement(statement, key=tmp_path / "alone.pub")
    (tmp_path / "junk").write_text("no key")
    (tmp_path / "junk").chmod(0o600)
    with pytest.raises(SourceError, match="must be a key that can sign; ssh-keygen says"):
        sign_statement(statement, key=tmp_path / "junk")
    shutil.copyfile(keys / "own", tmp_path / "open")
    (tmp_path / "open").chmod(0o644)
    with pytest.raises(SourceError, match="others may read it"):
        sign_statement(statement, key=tmp_path / "open")
    assert not signature_path(statement).exists()


def test_a_signature_is_not_replaced(statement, keys):
    sign_statement(statement, key=keys / "own")
    with pytest.raises(SourceError, match="there is a signature already"):
        sign_statement(statement, key=keys / "own")


def test_what_it_is_held_against_must_be_said_and_be_a_key(statement, keys):
    signature = sign_statement(statement, key=keys / "own")
    with pytest.raises(SourceError, match="give one of them"):
        verify_signature(b"", signature)
    with pytest.raises(SourceError, match="give one of them"):
        verify_signature(b"", signature, allowed_signers=keys / "own.pub", public_key=keys / "own.pub")
    with pytest.raises(SourceError, match="must be one public key of SSH"):
        verify_signature(b"", signature, public_key=keys / "own")
    with pytest.raises(SourceError, match="must be a list of allowed signers"):
        verify_signature(b"", signature, allowed_signers=keys / "none")
    with pytest.raises(SourceError, match="must be a signature"):
        verify_signature(b"", keys / "none", public_key=keys / "own.pub")


def test_without_openssh(statement, keys, monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SourceError, match="ssh-keygen must be there to sign and verify; it was not found"):
        sign_statement(statement, key=keys / "own")
