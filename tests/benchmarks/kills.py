"""Kill the sealing of a real report at 200 random moments: python tests/benchmarks/kills.py REPORT.

The contents of a sealed report (folder) are sealed again, with statement and
signature, each time in a process of its own that is killed by the system. What
then lies under the final names must be nothing or whole. Prints a line of JSON;
the exit code is 1 if anything else was found.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.report.bag_check import check_bag
from auditkit.report.placing import STAGING_PREFIX
from auditkit.report.sealed import put_in_place
from auditkit.report.signature import signature_path, verify_signature
from auditkit.report.statement import read_statement, statement_faults, statement_path

KILLS = 200
STATED = {"dossier": "D", "record_digest": "0" * 64, "date": "2027-04-01", "signer": "", "words": ""}


def child(contents, out, key):
    """Seal in a process of its own."""
    process = os.fork()
    if process:
        return process
    try:
        put_in_place(contents, out, info={"Bagging-Date": "2027-04-01"}, stated=STATED, key=key)
    finally:
        os._exit(0)


def outcome(out, signers):
    """Return what lies under the final names, and what of it is neither nothing nor whole."""
    faults = [path.name for path in out.parent.iterdir() if not path.name.startswith((STAGING_PREFIX, out.name))]
    statement, signature = statement_path(out), signature_path(statement_path(out))
    for staging in out.parent.glob(f"{STAGING_PREFIX}*/*"):
        if staging.is_dir() and not staging.name.startswith(STAGING_PREFIX) and not check_bag(staging).ok:
            faults.append(f"{staging.name}: half-written under its name, out of the way")
    if statement.exists():
        try:
            stated = read_statement(statement.read_bytes())
        except SourceError:
            return "half-written", [*faults, "the statement is half-written"]
        if not verify_signature(statement.read_bytes(), signature, allowed_signers=signers).ok:
            faults.append("the statement is there without its good signature")
    if not out.exists():
        return "nothing", faults
    checked = check_bag(out)
    if not checked.ok:
        faults.append("the folder is half-written")
    elif not statement.exists() or statement_faults(stated, seal=checked.seal):
        faults.append("the folder is there without its statement")
    return "whole", faults


def main(report):
    data = report / "data"
    contents = {path.relative_to(data).as_posix(): path for path in data.rglob("*") if path.is_file()}
    with tempfile.TemporaryDirectory() as top:
        place, key = Path(top) / "try", Path(top) / "key"
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(key)], check=True)
        signers = Path(top) / "signers"
        signers.write_text(f"auditor {key.with_suffix('.pub').read_text()}", encoding="utf-8")
        met, faults, rng, usual = Counter(), [], random.Random(20270401), 0.0
        for number in range(-1, KILLS):
            place.mkdir()
            began = time.perf_counter()
            process = child(contents, place / "report", key)
            if number >= 0:
                time.sleep(rng.uniform(0, 1.2 * usual))
                os.kill(process, signal.SIGKILL)
            os.waitpid(process, 0)
            usual = usual or time.perf_counter() - began
            found, wrong = outcome(place / "report", signers)
            if number >= 0:
                met[found] += 1
            elif found != "whole":
                wrong.append("a run that is left alone must come to its end")
            faults += [f"{number}: {fault}" for fault in wrong]
            shutil.rmtree(place)
    print(
        json.dumps({"kills": KILLS, "found": dict(sorted(met.items())), "faults": faults, "usual_s": round(usual, 3)})
    )
    return 1 if faults or min(met["nothing"], met["whole"]) < 5 else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
