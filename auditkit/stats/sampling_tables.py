"""Sampling tables: code letters and single plans of published acceptance schemes, with how sure they are.

Only rows that were seen printed, or are marked as from memory, are here. A
plan that is not here is refused, never made up.

References
----------
[1] MIL-STD-105E (1989), general level II and the plans of normal and tightened
    inspection, as printed in a public works department's table; levels I and
    III from memory. ISO 2859-1 and ANSI/ASQ Z1.4 carry the same figures.
[2] MIL-STD-414 / ANSI/ASQ Z1.9, Table B-1 (standard deviation unknown, single
    limit, form 1), as printed on a university page, except the values marked.
    The k of ISO 3951-1 differ and are not here.
"""

from __future__ import annotations

__all__ = ["ATTRIBUTES_SOURCE", "LETTERS", "LEVELS", "NORMAL", "SIZES", "TIGHTENED", "VARIABLES", "VARIABLES_SOURCE"]

ATTRIBUTES_SOURCE = "MIL-STD-105E, single sampling"
VARIABLES_SOURCE = "ANSI/ASQ Z1.9 Table B-1, standard deviation unknown, form 1"

LEVELS = {"I": "from memory", "II": "seen", "III": "from memory"}
"""General inspection levels, and how sure their letters are."""

# lot size up to and including: letters of levels I, II, III [1]
LETTERS: tuple[tuple[int | None, str], ...] = (
    (8, "AAB"),
    (15, "ABC"),
    (25, "BCD"),
    (50, "CDE"),
    (90, "CEF"),
    (150, "DFG"),
    (280, "EGH"),
    (500, "FHJ"),
    (1200, "GJK"),
    (3200, "HKL"),
    (10_000, "JLM"),
    (35_000, "KMN"),
    (150_000, "LNP"),
    (500_000, "MPQ"),
    (None, "NQR"),
)

SIZES = {
    **{"A": 2, "B": 3, "C": 5, "D": 8, "E": 13, "F": 20, "G": 32, "H": 50, "J": 80, "K": 125, "L": 200, "M": 315},
    **{"N": 500, "P": 800, "Q": 1250},
}
"""Sample size of each letter [1]."""

# acceptance number, or the letter an arrow points to: its plan is used, sample size and all [1]
NORMAL: dict[float, dict[str, int | str]] = {
    1.0: {
        **{"A": "E", "B": "E", "C": "E", "D": "E", "E": 0, "F": "E", "G": "H", "H": 1},
        **{"J": 2, "K": 3, "L": 5, "M": 7},
    },
    2.5: {
        **{"A": "C", "B": "C", "C": 0, "D": "C", "E": "F", "F": 1, "G": 2, "H": 3},
        **{"J": 5, "K": 7, "L": 10, "M": 14},
    },
    4.0: {
        **{"A": "B", "B": 0, "C": "B", "D": "E", "E": 1, "F": 2, "G": 3, "H": 5},
        **{"J": 7, "K": 10, "L": 14, "M": 21},
    },
}

TIGHTENED: dict[float, dict[str, int | str]] = {
    1.0: {"F": 0, "J": 1},
    2.5: {"G": 1, "H": 2, "J": 3},
    4.0: {"F": 1, "G": 2, "H": 3, "J": 5},
}

# letter: sample size, then AQL: (k, how sure), or the letter an arrow points to [2]
VARIABLES: dict[str, tuple[int, dict[float, tuple[float, str] | str]]] = {
    "B": (3, {1.0: "C", 1.5: "C", 2.5: (1.12, "seen"), 4.0: (0.958, "seen")}),
    "C": (4, {1.0: (1.45, "seen"), 1.5: (1.34, "seen"), 2.5: (1.17, "seen"), 4.0: (1.01, "seen")}),
    "D": (5, {1.0: (1.53, "seen"), 1.5: (1.40, "seen"), 2.5: (1.24, "seen"), 4.0: (1.07, "seen")}),
    "E": (7, {1.0: (1.62, "seen"), 1.5: (1.50, "seen"), 2.5: (1.33, "seen"), 4.0: (1.15, "seen")}),
    "F": (10, {1.0: (1.72, "seen"), 1.5: (1.58, "seen"), 2.5: (1.41, "seen"), 4.0: (1.23, "seen")}),
    "G": (15, {1.0: (1.79, "seen"), 1.5: (1.65, "seen"), 2.5: (1.47, "from memory"), 4.0: (1.30, "from memory")}),
    "H": (20, {1.0: (1.82, "seen"), 1.5: (1.69, "seen"), 2.5: (1.51, "from memory"), 4.0: (1.33, "from memory")}),
    "I": (25, {1.0: (1.85, "seen"), 1.5: (1.72, "seen"), 2.5: (1.53, "from memory"), 4.0: (1.35, "from memory")}),
    "J": (35, {1.0: (1.89, "seen"), 1.5: (1.76, "seen"), 2.5: (1.57, "from memory"), 4.0: (1.39, "from memory")}),
    "K": (50, {1.0: (1.93, "seen"), 1.5: (1.80, "seen"), 2.5: (1.61, "from memory"), 4.0: (1.42, "from memory")}),
    "L": (75, {1.0: (1.98, "seen"), 1.5: (1.84, "seen")}),
    "M": (100, {1.0: (2.00, "seen"), 1.5: (1.86, "seen")}),
}
