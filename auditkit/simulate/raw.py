"""The same audit as it would arrive from site: other units, words, layouts, and bad rows."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from auditkit.simulate.clean import TITLE
from auditkit.simulate.declared import settings_text
from auditkit.simulate.dirt import Ledger
from auditkit.simulate.log_files import raw_log_text, write_raw_log
from auditkit.simulate.raw_inspection import (
    write_defects,
    write_gauge_checks,
    write_readings_g1,
    write_readings_g2,
    write_wrap,
)
from auditkit.simulate.raw_studies import write_extent_spots, write_studies
from auditkit.simulate.raw_work import (
    write_areas,
    write_jobs,
    write_machines,
    write_maintenance,
    write_pressures,
    write_runs,
    write_startups,
)
from auditkit.simulate.site_office import Site
from auditkit.simulate.site_words import DOSSIER, IGNORED

if TYPE_CHECKING:
    from auditkit.simulate.audit import Simulated

__all__ = ["write_raw"]


def write_raw(simulated: Simulated, folder: Path, *, seed: int) -> dict[str, object]:
    """Write the audit as the site's own files into `folder`, with bad rows among the good ones.

    Parameters
    ----------
    simulated : Simulated
        The audit.
    folder : Path
        Made if need be.
    seed : int
        Seed of where the bad rows stand.

    Returns
    -------
    dict
        The bad rows: `rows`, `by_record` (counts by rule word) and `lines`;
        those of the pressure log stand apart under `log`.

    Examples
    --------
    >>> import tempfile
    >>> from auditkit.simulate.audit import simulate_audit
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     dirt = write_raw(simulate_audit(seed=1), Path(folder), seed=1)
    ...     len(list(Path(folder).iterdir()))
    19
    >>> dirt["by_record"]["jobs"]
    {'row rule': 1}
    """
    folder.mkdir(parents=True, exist_ok=True)
    site = Site(
        tables=simulated.tables,
        zone=str(simulated.truth["time_zone"]),
        folder=folder,
        rng=np.random.default_rng(seed),
        ledger=Ledger(),
    )
    write_jobs(site)
    write_areas(site)
    write_runs(site)
    write_pressures(site)
    write_readings_g1(site)
    write_readings_g2(site)
    write_wrap(site)
    write_defects(site)
    write_maintenance(site)
    write_gauge_checks(site)
    write_startups(site)
    write_extent_spots(site)
    write_studies(site)
    write_machines(site)
    log = write_raw_log(simulated.log, folder, zone=site.zone)
    site.write_lines("berth_plan.csv", IGNORED)
    declared = f"auditkit: 1\ntitle: {TITLE}\ntime_zone: {site.zone}\n"
    declared += settings_text(simulated.truth) + raw_log_text(simulated.log) + DOSSIER
    (folder / "dossier.yaml").write_text(declared, encoding="utf-8", newline="")
    return site.ledger.summary() | {"log": log}
