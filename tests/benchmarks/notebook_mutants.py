"""Do the notebooks notice a wrong formula? Ten are changed, one at a time, and the notebook that shows it is run.

python tests/benchmarks/notebook_mutants.py

The package is copied to a scratch folder; there one place of one formula is
changed, and one notebook is run by nbval against its stored outputs. First the
notebooks are run unchanged, and must pass. Prints a line for each change: caught,
with the first cell that noticed, or missed. Exit code 1 if one was missed. Five minutes or so.

Last run: all ten caught.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("auditkit", "notebooks", "schemas", "sample_data")
MUTANTS = (
    # topic, module, as it is, as it is made, notebook that shows it
    ("spot mean", "trade/film_measures.py", 'dft_um="mean", low_um', 'dft_um="median", low_um', "02"),
    ("combined tolerance", "trade/gauges.py", 'np.hypot(out["gauge_pct"]', 'np.add(out["gauge_pct"]', "02"),
    ("film on the metal", "findings/paint.py", '* areas["size_m2"] / 1000.0', '/ areas["size_m2"] / 1000.0', "02"),
    ("capability", "stats/capability_indices.py", "(mean - lower) / (3.0 * sd)", "(mean - lower) / (6.0 * sd)", "02"),
    ("expected mean square", "stats/variance.py", "1.0 - 1.0 / family[above]", "1.0 - 0.9 / family[above]", "02"),
    ("wrap rating", "trade/wrap.py", "100 * ratings / tops", "100 * (ratings + 0.1) / tops", "03"),
    ("dew point", "trade/climate.py", "shift * exponent / (slope - exponent)", "shift * exponent / slope", "04"),
    ("doubt of a delivery ratio", "trade/delivery.py", "np.sqrt(1.0 + 1.0 / rows", "np.sqrt(1.0 / rows", "04"),
    ("wear rate", "stats/wear_lines.py", "(1.0 - confidence) / 2.0, df)", "(1.0 - confidence), df)", "04"),
    ("risk within jobs", "stats/score_difference.py", "p1 * (1 - p1) / arms.n1 +", "p1 * (1 - p1) / arms.n1 -", "05"),
)


def copied(place):
    """Return a copy of what the notebooks run on."""
    for name in FOLDERS:
        shutil.copytree(ROOT / name, place / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", place)
    return place


def run(place, notebook):
    """Return whether the notebook passes on the copy, and the first cell that does not."""
    file = next((place / "notebooks").glob(f"{notebook}_*.ipynb"))
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(file)],
        cwd=place,
        env=os.environ | {"PYTHONPATH": str(place), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    failed = re.findall(r"FAILED \S+::(Cell \d+)", done.stdout)
    if done.returncode not in (0, 1) or (done.returncode == 1 and not failed):
        raise RuntimeError(f"{file.name} could not be run: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.returncode == 0, failed[0] if failed else ""


def main():
    missed = 0
    for notebook in sorted({mutant[-1] for mutant in MUTANTS}):
        with tempfile.TemporaryDirectory() as scratch:
            passed, cell = run(copied(Path(scratch)), notebook)
        print(f"{notebook} unchanged: {'passes' if passed else f'FAILS at {cell}'}", flush=True)
        missed += not passed
    for topic, module, before, after, notebook in MUTANTS:
        with tempfile.TemporaryDirectory() as scratch:
            place = copied(Path(scratch))
            path = place / "auditkit" / module
            text = path.read_text(encoding="utf-8")
            if text.count(before) != 1:
                raise RuntimeError(f"{module} must hold {before!r} once; it holds it {text.count(before)} times")
            path.write_text(text.replace(before, after), encoding="utf-8")
            passed, cell = run(place, notebook)
        print(f"{topic} ({module}), notebook {notebook}: {'MISSED' if passed else f'caught at {cell}'}", flush=True)
        missed += passed
    sys.exit(missed > 0)


if __name__ == "__main__":
    main()
