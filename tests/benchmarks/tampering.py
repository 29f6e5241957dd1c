"""Change a real sealed report 2,000 times, and count what is found: python tests/benchmarks/tampering.py REPORT.

Single bytes are changed, files deleted, renamed, added and exchanged, in a copy
of the folder and of the statement beside it. Each change is undone after it.
Prints a line of JSON; the exit code is 1 if any change was missed or not named.
"""

import json
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.report.bag_check import check_bag
from auditkit.report.statement import read_statement, statement_faults, statement_path

CHANGES = 2_000
KINDS = ("change", "change", "change", "change", "delete", "rename", "add", "swap")


def named_faults(folder):
    """Return the paths that are named as touched, in the folder and of the statement."""
    checked = check_bag(folder)
    named = {*checked.faults["path"], *checked.faults["found"]}
    statement = statement_path(folder)
    try:
        faults = statement_faults(read_statement(statement.read_bytes()), seal=checked.seal)
    except (SourceError, OSError):
        faults = ["it cannot be read"]
    return named | ({statement.name} if faults else set())


def main(report):
    with tempfile.TemporaryDirectory() as place:
        folder = shutil.copytree(report, Path(place) / report.name)
        shutil.copy(statement_path(report), statement_path(folder))
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        assert not named_faults(folder), "the report must be whole to begin with"
        rng, met, missed, began = random.Random(20270401), Counter(), [], time.perf_counter()
        for number in range(CHANGES):
            kind = rng.choice(KINDS)
            one, other = rng.sample(files, 2)
            while kind == "swap" and one.read_bytes() == other.read_bytes():
                one, other = rng.sample(files, 2)
            kept = {path: path.read_bytes() for path in (one, other)}
            new = one.with_name(f"new{number}{one.suffix}")
            touched = {one}
            if kind == "change":
                content = bytearray(kept[one])
                content[rng.randrange(len(content))] ^= rng.randrange(1, 256)
                one.write_bytes(content)
            elif kind == "delete":
                one.unlink()
            elif kind == "rename":
                one.rename(new)
                touched |= {new}
            elif kind == "add":
                new.write_bytes(rng.randbytes(rng.randrange(20)))
                touched = {new}
            else:
                one.write_bytes(kept[other])
                other.write_bytes(kept[one])
                touched |= {other}
            names = named_faults(folder)
            wanted = {path.relative_to(folder).as_posix() for path in touched}
            if not wanted <= names:
                missed.append([number, kind, sorted(wanted - names)])
            met[kind] += 1
            new.unlink(missing_ok=True)
            for path, content in kept.items():
                path.write_bytes(content)
        assert not named_faults(folder), "every change must have been undone"
    told = {
        "files": len(files),
        "changes": dict(sorted(met.items())),
        "missed": missed,
        "seconds": round(time.perf_counter() - began, 1),
    }
    print(json.dumps(told))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
