"""Glossary: the words of a report, in the trade's and the statistician's standard sense."""

from __future__ import annotations

__all__ = ["GLOSSARY"]

GLOSSARY: dict[str, str] = {
    "area": "A piece or stretch of metalwork that is sprayed, measured and judged as one.",
    "condition": "Something that may cause a defect: standoff, pot pressure, brush wear and the like.",
    "conforms, does not conform, not assessable": "The three verdicts. Not assessable means that the rule cannot be "
    "applied to what was recorded; it is never a pass.",
    "dossier": "The records of one audit.",
    "facing, reverse": "The side of the metal that faced the sprayer, and the side away from it.",
    "gauge reading, spot": "One reading of a film gauge; and readings taken within a circle of about 4 cm, whose mean "
    "is the spot measurement (SSPC-PA 2, 3.1 and 3.2).",
    "NDFT": "Nominal dry film thickness, by which ISO 19840 and the 90/10 practice judge.",
    "points": "Percentage points: the difference of two shares.",
    "q": "The share of false ones to expect among rows with a q this small or smaller (Benjamini and Hochberg 1995). "
    "False means no association within jobs at all: a row that goes with a defect through another condition counts as "
    "true. It holds as far as runs are independent, which those of one operator or day seldom are.",
    "set-aside ledger": "Rows that broke their contract, kept with the reason and the cure.",
    "spray run": "One continuous application to one area by one unit and one operator.",
    "standoff": "Distance from the bell to the work.",
    "suspect reading": "A reading taken since its gauge's last good check, where the next one failed (SSPC-PA 2, 5.5).",
    "window": "The range a condition should lie in; its source is given beside it.",
    "travels with": "Most runs outside one window are outside another as well, so that the two are hard to tell apart.",
    "within jobs": "Compared inside each job and then put together (Mantel and Haenszel 1959), so that a difference "
    "between jobs cannot pass for an effect of the condition.",
    "wrap": "Paint on the side away from the sprayer, drawn round by the charge.",
}
"""Terms and their meanings, in alphabetical order."""
