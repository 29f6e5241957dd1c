"""Sections of the report on film thickness."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.film_detail_sections import (
    doubt_section,
    enough_section,
    extent_section,
    gauge_section,
    odd_section,
)
from auditkit.report.short_names import anchors
from auditkit.report.tables import Columns, Section, table_of
from auditkit.report.variation_sections import measuring_section, paint_section, sampling_section, variation_section
from auditkit.views import figures

__all__ = ["film_sections"]


def film_sections(findings: Findings) -> list[Section]:
    """Return the sections on film: verdicts first, then what stands behind them."""
    return [
        _verdicts(findings),
        doubt_section(findings),
        enough_section(findings),
        extent_section(findings),
        gauge_section(findings),
        odd_section(findings),
        measuring_section(findings),
        variation_section(findings),
        paint_section(findings),
        sampling_section(findings),
    ]


def _verdicts(findings: Findings) -> Section:
    film, jobs = findings.film, findings.dossier.tables["jobs"]
    sides = film.areas.assign(memory=film.areas["from_memory"].map({True: "from memory", False: ""}))
    sides["rows"] = anchors("film", sides.to_dict("records"))
    failing = sides[sides["verdict"] == "does not conform"]
    measured = [side for side in ("facing", "reverse") if sides.loc[sides["side"] == side, "mean_um"].notna().any()]
    return Section(
        id="film",
        title="Film thickness",
        texts=[film.method, *_counts(findings)],
        figures=[figures.film_by_job(film.areas, jobs, side=side) for side in measured],
        tables=[
            table_of(jobs, _SPECIFIED, caption="What was specified, by job"),
            table_of(
                failing,
                _SIDES,
                caption=f"Sides that do not conform: {len(failing)} of {len(sides)}",
                leads_to=list(failing["rows"]),
            ),
            table_of(sides, _SIDES, caption="Every side of every area", folded=True, leads_to=list(sides["rows"])),
            table_of(film.tests, _TESTS, caption="Every test of every side, with its clause", folded=True),
        ],
    )


def _counts(findings: Findings) -> list[str]:
    film = findings.film
    texts = [
        f"{film.n:,} readings are on sides that got a verdict; {film.excluded:,} are not, of them {film.on_edges:,} on "
        f"edges and {film.superseded:,} of a film since sprayed over.",
    ]
    memory = int(film.areas["from_memory"].sum())
    if memory:
        texts.append(
            f"{memory} of {len(film.areas)} verdicts rest on a figure of a standard recalled from memory (marked): "
            "check those against your copy."
        )
    return texts


_SPECIFIED: Columns = {
    "job_id": ("job", None),
    "site": ("site", None),
    "coating": ("coating", None),
    "acceptance_rule": ("rule", None),
    "restriction_level": ("level", ".0f"),
    "film_min_um": ("minimum [µm]", ".1f"),
    "film_nominal_um": ("nominal [µm]", ".1f"),
    "film_max_um": ("maximum [µm]", ".1f"),
    "film_reverse_min_um": ("minimum on the reverse [µm]", ".1f"),
    "wrap_min_pct": ("required wrap [%]", ".0f"),
}

_TESTS: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "name": ("observed", None),
    "observed": ("value", ".3f"),
    "holds": ("must be", None),
    "limit": ("limit", ".3f"),
    "outcome": ("outcome", None),
    "decided": ("decided", None),
    "clause": ("clause", None),
}

_SIDES: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "job_id": ("job", None),
    "verdict": ("verdict", None),
    "reason": ("why", None),
    "clause": ("clause", None),
    "mean_um": ("mean [µm]", ".2f"),
    "lowest_spot_um": ("lowest [µm]", ".2f"),
    "highest_spot_um": ("highest [µm]", ".2f"),
    "n_spots": ("spots", ".0f"),
    "n_readings": ("readings", ".0f"),
    "suspect_readings": ("of them suspect", ".0f"),
    "uncovered_readings": ("not vouched for", ".0f"),
    "memory": ("", None),
}
