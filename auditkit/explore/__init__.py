"""Explorers: views of the findings that controls choose, each also a figure, a table and a line of code.

Figures and tables need nothing more than the rest; the explorers themselves
need ipywidgets and anywidget (`pip install '.[lab]'`).
"""

from __future__ import annotations

from auditkit.explore.cause_comparison import CauseView, cause_table, moves_with
from auditkit.explore.cause_explorer import cause_figure, causes
from auditkit.explore.figure_files import save_figure
from auditkit.explore.film_explorer import film_figure, film_map
from auditkit.explore.film_rows import FilmView, film_table
from auditkit.explore.unit_explorer import UnitView, unit_figure, unit_life, unit_table
from auditkit.explore.what_if_explorer import WhatIfView, what_if, what_if_figure, what_if_table

__all__ = [
    "CauseView",
    "FilmView",
    "UnitView",
    "WhatIfView",
    "cause_figure",
    "cause_table",
    "causes",
    "film_figure",
    "film_map",
    "film_table",
    "moves_with",
    "save_figure",
    "unit_figure",
    "unit_life",
    "unit_table",
    "what_if",
    "what_if_figure",
    "what_if_table",
]
