"""The sample that ships: one invented audit, clean and as it arrived, and its truth."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from auditkit.simulate.audit import simulate_audit
from auditkit.simulate.clean import write_clean
from auditkit.simulate.raw import write_raw
from auditkit.simulate.truth import DEFAULT_TRUTH, Truth

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["SAMPLE_SEED", "write_sample"]

SAMPLE_SEED = 20270104

_README = """\
# Sample data: an invented audit with known truth

Everything here is invented: vessels, coatings, people, readings. No firm, vessel or brand is meant.

A regional ferry line has fittings repainted aboard three moored vessels over eight winter weeks in 2027:
handrails, seat frames, locker banks and doors, vent grilles, cable trays; eight jobs, three crews, four spray
units, two coatings, two gauges, two inspectors.

| path | what it is |
| --- | --- |
| `clean/` | a table a contract in its form, and a short `dossier.yaml` |
| `raw/` | the same audit as it would arrive (below), and a `dossier.yaml` that declares it all |
| `truth.json` | what is true in it: causes and their sizes, unseen states, true zones, the bad rows counted |

The files of `raw/` hold psi, mil, inches and degrees F, the crew's own words, day-first dates and decimal commas, in
four encodings and three spreadsheets, with some bad rows among the good ones.

Once the bad rows of `raw/` are set aside, both folders hold the same tables to the last bit.

## How it was made

By `auditkit.simulate`, seed {seed}. The same seed gives the same bytes:

```
python -c "from pathlib import Path; from auditkit.simulate import write_sample; write_sample(Path('sample_data'))"
```

## What is in it to be found

The exact figures are in `truth.json` under `knobs`. In words: spraying from too far gives dry spray and a thin
back, from too near runs; high pot pressure gives orange peel and runs; damp air craters; metal near the dew point
pinholes; worn brushes and a badly earthed part a thin back; a bell that was not cleaned spits and inclusions; a short
follow-through spits; a clogging filter dry spray and orange peel. Low overlap looks guilty of craters because one crew
strokes so aboard the damp vessel; it causes none. One gauge drifts upward and fails its checks after use.

Around three areas that came out thin, more spots were measured outward; around one of them a direction was given up
before two spots in a row conformed. How far the film is truly thin stands under `extent`. Two studies of the measuring,
one with every inspector at every place and one with places of their own, have the spreads under `knobs`
(`study_sd_um`) and what each place and inspector came to under `studies`.

The records are made up for learning and testing. They are no guide to safe work: high voltage and flammable vapour
can kill; follow the equipment maker's manual, the safety data sheet, local codes and licensed practice.
"""


def write_sample(folder: Path, *, seed: int = SAMPLE_SEED, truth: Truth = DEFAULT_TRUTH) -> None:
    """Write `clean/`, `raw/`, `truth.json` and `README.md` into `folder`.

    Parameters
    ----------
    folder : Path
        Made if need be; files of the same name are replaced.
    seed : int
        Seed of the audit and of where its bad rows stand.
    truth : Truth
        What is true in it.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_sample(Path(folder), seed=1)
    ...     sorted(path.name for path in Path(folder).iterdir())
    ['README.md', 'clean', 'raw', 'truth.json']
    """
    simulated = simulate_audit(seed=seed, truth=truth)
    write_clean(simulated, folder / "clean")
    dirt = write_raw(simulated, folder / "raw", seed=seed)
    written = json.dumps(simulated.truth | {"dirt": dirt}, indent=1, ensure_ascii=False)
    (folder / "truth.json").write_text(written + "\n", encoding="utf-8", newline="")
    (folder / "README.md").write_text(_README.format(seed=seed), encoding="utf-8", newline="")
