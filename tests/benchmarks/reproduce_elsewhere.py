"""Seal with the lowest supported versions and reproduce with the newest, and the other way round.

python tests/benchmarks/reproduce_elsewhere.py [RECORDS] [--keep FOLDER]

Two environments are made with uv (which must be on the path or installed as a
module): one with `--resolution lowest-direct` of the floors in pyproject.toml,
one with `--resolution highest`. In each the records (left out: a small dossier
of the tests) are sealed, and the report is then reproduced in the other. Prints
a line of JSON for each way: values equal, equal within printed digits,
different, and the packages that differ; the exit code is 1 if any value differs
or a floor does not work. Needs a network, or the packages at hand.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NEEDED = ("nbclient>=0.10", "nbformat>=5.10", "ipykernel>=6.29")
RESOLUTIONS = {"lowest": "lowest-direct", "newest": "highest"}
REPRODUCE = """
import json, sys
from pathlib import Path
from auditkit.report.reproduction import reproduce
told = reproduce(Path(sys.argv[1]))
def counts(one):
    return None if one is None else {"n": one.n, "equal": one.equal, "within": one.within, "different": one.different}
print(json.dumps({
    "code": told.code,
    "findings": counts(told.findings),
    "notebook": counts(told.notebook),
    "files": told.files["verdict"].value_counts().to_dict(),
    "packages": len(told.environment),
    "reasons": list(told.reasons)[:10],
    "first": [] if told.findings is None else told.findings.rows.head(10).to_dict("records"),
}))
"""
SEAL = """
import sys
from pathlib import Path
from auditkit.report.sealed import make_sealed
make_sealed(Path(sys.argv[1]), Path(sys.argv[2]), dated="2027-04-01")
"""


def uv(*arguments):
    subprocess.run([sys.executable, "-m", "uv", *map(str, arguments)], check=True)


def environment(place, resolution):
    """Return the Python of a new environment with auditkit and its dependencies at one end of what is supported."""
    if not place.exists():
        uv("venv", "--python", sys.executable, place)
        python = place / "bin" / "python"
        uv("pip", "install", "--quiet", "--python", python, "--resolution", resolution, str(ROOT), *NEEDED)
    return place / "bin" / "python"


def run(python, code, *arguments):
    done = subprocess.run(
        [str(python), "-W", "ignore", "-c", code, *map(str, arguments)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"{python}: {done.stderr[-3000:]}")
    return done.stdout


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("records", nargs="?", type=Path)
    parser.add_argument("--keep", type=Path, help="where environments and reports stay; else they are removed")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary) if given.keep is None else given.keep
        records = given.records
        if records is None:
            sys.path.insert(0, str(ROOT / "tests" / "report"))
            from small_dossier import write_small

            records = place / "records"
            if not records.exists():
                write_small(records)
        pythons = {name: environment(place / name, resolution) for name, resolution in RESOLUTIONS.items()}
        wrong = False
        for name, python in pythons.items():
            report = place / f"report-{name}"
            if not report.exists():
                run(python, SEAL, records, report)
            for other, second in pythons.items():
                if other != name:
                    told = json.loads(run(second, REPRODUCE, report))
                    print(json.dumps({"sealed": name, "reproduced": other, **told}), flush=True)
                    wrong |= told["code"] != 0
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
