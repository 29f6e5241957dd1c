"""Every figure of the views, called with findings of an audit."""

import importlib
import inspect
import pkgutil

import auditkit.views
from auditkit.views import (
    cause_figures,
    dose_figures,
    doubt_figures,
    extent_figures,
    figures,
    gauge_figures,
    sampling_figures,
    unit_life_figures,
    variation_figures,
    work_figures,
)


def _first_chart(findings):
    row = findings.variation.charts.iloc[0]
    return {name: row[name] for name in ("kind", "who", "side", "chart")}


def _first_zone(findings):
    row = findings.extent.directions.iloc[0]
    return {"area_id": row["area_id"], "side": row["side"]}


def _curves(findings):
    parts = findings.replacement.parts
    return parts[parts["failures"] > 0]


CALLS = {
    "film_by_job": lambda f: figures.film_by_job(f.film.areas, f.dossier.tables["jobs"]),
    "wrap_by_geometry": lambda f: figures.wrap_by_geometry(f.wrap.areas),
    "windows": lambda f: figures.windows(f.process.windows),
    "unit_settings": lambda f: figures.unit_settings(f.runs, column="pot_kpa", title="Pot pressure", unit="kPa"),
    "associations": lambda f: figures.associations(f.causes.table),
    "gauge_errors_over_time": lambda f: gauge_figures.gauge_errors_over_time(f.gauges.checks),
    "conformance_probabilities": lambda f: doubt_figures.conformance_probabilities(f.doubt.sides, show="all"),
    "uncertainty_shares": lambda f: doubt_figures.uncertainty_shares(f.doubt.budget, f.doubt.uncertainty),
    "suspect_zone": lambda f: extent_figures.suspect_zone(f.extent, **_first_zone(f)),
    "operating_curve": lambda f: sampling_figures.operating_curve(
        f.sampling.oc, f.sampling.lots, f.sampling.risks, lot=f.sampling.lots["lot"].iloc[0]
    ),
    "lot_shares": lambda f: sampling_figures.lot_shares(f.sampling.lots),
    "unit_life": lambda f: unit_life_figures.unit_life(
        f.runs, f.dossier.tables["maintenance"], f.causes.run_defects.found, unit_id=f.runs["unit_id"].iloc[0]
    ),
    "component_shares": lambda f: variation_figures.component_shares(f.variation.components),
    "control_chart": lambda f: variation_figures.control_chart(f.variation.charts, **_first_chart(f)),
    "odd_readings_on_area": lambda f: variation_figures.odd_readings_on_area(
        f.dossier.tables["film_readings"], f.odd.flags, area_id=f.film.spots["area_id"].iloc[0]
    ),
    "climate_course": lambda f: work_figures.climate_course(f.climate.runs, low=3.0),
    "delivery_patterns": lambda f: work_figures.delivery_patterns(f.delivery.runs),
    "life_curves": lambda f: work_figures.life_curves(f.replacement.curves, _curves(f)),
    "forest_plot": lambda f: cause_figures.forest_plot(f.causal.table, f.conditions),
    "causal_diagram": lambda f: cause_figures.causal_diagram(f.causal.diagram.diagram),
    "dose_response": lambda f: dose_figures.dose_response(
        f.causal.dose.curve, f.causal.dose.density, f.causal.dose.pairs, f.conditions["standoff_mm"]
    ),
}
"""A call of each, by its name."""


def public_figures():
    """Return the names of all public functions of the views that return a figure."""
    names = set()
    for module in pkgutil.iter_modules(auditkit.views.__path__, "auditkit.views."):
        loaded = importlib.import_module(module.name)
        for name in getattr(loaded, "__all__", ()):
            function = getattr(loaded, name)
            if inspect.isfunction(function) and function.__annotations__.get("return") == "go.Figure":
                names.add(name)
    return names
