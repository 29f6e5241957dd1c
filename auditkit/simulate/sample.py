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
| `clean/` | a table a contract in its form, a pressure log, and a short `dossier.yaml` |
| `raw/` | the same audit as it would arrive (below), and a `dossier.yaml` that declares it all |
| `truth.json` | what is true in it: causes and their sizes, unseen states, true zones, the bad rows counted |

The files of `raw/` hold psi, mil, inches and degrees F, the crew's own words, day-first dates and decimal commas, in
four encodings and three spreadsheets, with some bad rows among the good ones.

Once the bad rows of `raw/` are set aside, both folders hold the same tables to the last bit, and the same readings of
the pressure log.

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

The pot of the unit whose filter clogs was logged once a second from {log_from} to {log_until}, the last two days of
clogging and two days after, while the unit was at work. The logged pressure stands within a quarter of a psi of each
figure written down, from then until the next; in the longest run the pump pulses. Under `pressure_log` stand the runs,
the pulsing and the stretches the logger dropped out; under `dirt`, `log`, the rows of its export that are no readings.

Some maintenance notes contradict others: a part replaced before it was fitted, or before the unit was in service; two
states at one instant; wear that falls though nothing was replaced. They are sound rows and are accepted;
`note_conflicts` lists them. (Beyond those, parts other than brush and filter are found worn by chance at any look and
may be found good at the next.) Each unit came into service with a new brush, as many working days before the refit
as it takes to wear a brush as far as its own was worn on the first morning; what it did in those days is not recorded,
and of one unit the day is not known.

On days that began with a clean bell it is mostly cleaned again when a run ends and the unit sprays on later that day;
some operators forget it more than others. `bell_hours` counts from the morning's cleaning alone. When a bell of the
other size is put on during the day, the start-up list is mostly gone through again and the feed tube set anew.

The nearest and farthest standoff of a run, how long a bell stood uncleaned between two runs of a day, and the bell the
feed tube was set for cause nothing in this audit. A pause without cleaning looks guilty of spits and inclusions, within
jobs too: on a day that began with a dirty bell nobody cleans it later, and it is the dirty bell that causes them; of
the spits, chance adds some.

The hoses alone would let through 14 to 26 % more than the units do when clean; pot and bell stand level. One coating's
viscosity was measured at two temperatures. What a replacement costs stands in both `dossier.yaml`.

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
    (folder / "README.md").write_text(
        _README.format(seed=seed, log_from=truth.log_from, log_until=truth.log_until), encoding="utf-8", newline=""
    )
