"""Figures of doubt: how probable it is that each side conforms, and what the doubt is made of."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.views.style import OKABE_ITO, VERDICT_COLOURS, VERDICT_SYMBOLS, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["conformance_probabilities", "uncertainty_shares"]

_SOURCES = {
    "gauge": (OKABE_ITO["blue"], "/"),
    "standard": (OKABE_ITO["sky blue"], "x"),
    "repeatability": (OKABE_ITO["yellow"], "."),
    "readings within a spot": (OKABE_ITO["orange"], "\\"),
    "spot placement": ("#C9E7DD", ""),
    "profile correction": (OKABE_ITO["reddish purple"], "-"),
}


def conformance_probabilities(
    sides: pd.DataFrame, *, band: tuple[float, float] = (0.05, 0.95), show: str = "doubtful"
) -> go.Figure:
    """Return the probability that each side conforms, sorted, by the verdict it was given.

    Parameters
    ----------
    sides : DataFrame
        See `findings.doubt.DoubtFindings.sides`: area_id, side, verdict,
        probability_conforms, probability_right.
    band : (float, float)
        Probabilities between which a side is doubtful; shaded.
    show : {'doubtful', 'all'}
        Only the sides that are not certain (probability from 0.5 % to 99.5 %,
        so that they can be told apart), or every side with a probability.

    Raises
    ------
    ValueError
        `show` is neither.
    """
    import plotly.graph_objects as go

    if show not in ("doubtful", "all"):
        raise ValueError(f"show must be 'doubtful' or 'all'; given {show!r}")
    known = sides[sides["probability_conforms"].notna()]
    shown = known if show == "all" else known[known["probability_conforms"].between(0.005, 0.995)]
    shown = shown.sort_values(["probability_conforms", "area_id", "side"], ignore_index=True)
    inside = int(shown["probability_conforms"].between(*band, inclusive="neither").sum())
    figure = go.Figure()
    low, high = (100 * end for end in band)
    figure.add_hrect(
        y0=low,
        y1=high,
        fillcolor="#000000",
        opacity=0.06,
        line_width=0,
        annotation={"text": f"doubtful: {inside} of {len(known)} sides", "font": {"size": 12}},
        annotation_position="top left",
    )
    for verdict, colour in VERDICT_COLOURS.items():
        part = shown[shown["verdict"] == verdict]
        if part.empty:
            continue
        figure.add_trace(
            go.Scatter(
                x=(part.index + 1).tolist(),
                y=(100 * part["probability_conforms"]).tolist(),
                mode="markers",
                name=f"verdict: {verdict} ({len(part)})",
                marker={"color": colour, "symbol": VERDICT_SYMBOLS[verdict], "size": 9, "opacity": 0.85},
                text=(part["area_id"] + ", " + part["side"]).tolist(),
                hovertemplate="%{text}: conforms with %{y:.1f} %<extra>" + verdict + "</extra>",
            )
        )
    for end in (low, high):
        figure.add_hline(y=end, line={"dash": "dash", "color": "#333333", "width": 1})
    rest = "" if show == "all" else f"; {len(known) - len(shown)} more are near certain"
    figure.update_layout(
        template=template(), title={"text": f"Probability that a side conforms ({len(shown)} sides{rest})"}, height=420
    )
    figure.update_xaxes(title={"text": "sides, least probable first"})
    figure.update_yaxes(title={"text": "probability of conforming [%]"}, range=[-3, 103])
    return figure


def uncertainty_shares(budget: pd.DataFrame, totals: pd.DataFrame, *, side: str = "facing") -> go.Figure:
    """Return what the doubt in the mean film of a side is made of, a bar a job and gauge.

    Parameters
    ----------
    budget, totals : DataFrame
        See `findings.doubt.DoubtFindings`: `budget` and `uncertainty`.
    side : {'facing', 'reverse'}
        Side to draw.
    """
    import plotly.graph_objects as go

    known = totals[(totals["side"] == side) & (totals["reason"] == "")].iloc[::-1]
    rows = budget[budget["side"] == side].set_index(["job_id", "gauge_id", "source"])["contribution_pct"]
    keys = list(zip(known["job_id"], known["gauge_id"], strict=True))
    names = [
        f"{job}, {gauge}: ±{wide:.1f} µm"
        for (job, gauge), wide in zip(keys, known["expanded_uncertainty_um"], strict=True)
    ]
    figure = go.Figure()
    for source, (colour, pattern) in _SOURCES.items():
        share = [float(rows.get((*key, source), 0.0)) for key in keys]
        if not any(share):
            continue
        figure.add_trace(
            go.Bar(
                x=share,
                y=names,
                orientation="h",
                name=source,
                marker={
                    "color": colour,
                    "pattern": {"shape": pattern, "fillmode": "overlay", "fgopacity": 0.3},
                    "line": {"color": "#ffffff", "width": 1},
                },
                text=[f"{value:.0f}" if value >= 6 else "" for value in share],
                textposition="inside",
                insidetextanchor="middle",
                textangle=0,
                hovertemplate="%{y}: %{x:.1f} %<extra>" + source + "</extra>",
            )
        )
    figure.update_layout(
        template=template(),
        title={
            "text": f"Where the doubt in a {side} side's mean film comes from "
            f"(n={len(keys)} pairs of job and gauge; ± is expanded)"
        },
        height=150 + 30 * max(len(keys), 2),
        barmode="stack",
        bargap=0.3,
        legend={"traceorder": "normal"},
    )
    figure.update_xaxes(title={"text": "share of the variance [%]"}, range=[0, 100])
    return figure
