from collections.abc import Callable
from pathlib import Path

import pytest

from auditkit.dossier import Dossier
from auditkit.intake import read_dossier

JOBS = (
    "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,"
    "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\n"
    "J1,Quay,Finish,60,80,160,40,sspc-pa-2,3,70,48,T,10\n"
)
AREAS = (
    "area_id,job_id,description,geometry,size_m2,substrate,surface_profile\n"
    "A1,J1,rail,tube,3.6,steel,fine\nA2,J1,door,flat,2,steel,fine\n"
)
READINGS = (
    "area_id,side,spot,repeat,dft_um,gauge_id,taken_at\n"
    "A1,facing,1,1,74.5,G1,2027-01-13T09:05:00+01:00\n"
    "A1,facing,1,2,75.5,G1,2027-01-13T09:06:00+01:00\n"
    "A2,reverse,1,1,44.25,G1,\n"
)


@pytest.fixture
def sound() -> dict[str, str]:
    """Three files that link and are without fault."""
    return {"jobs.csv": JOBS, "areas.csv": AREAS, "readings.csv": READINGS}


@pytest.fixture
def read(tmp_path: Path) -> Callable[[dict[str, str | bytes]], Dossier]:
    """Write files into a new folder and read it."""

    def read_files(files: dict[str, str | bytes]) -> Dossier:
        for name, content in files.items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        return read_dossier(tmp_path)

    return read_files
