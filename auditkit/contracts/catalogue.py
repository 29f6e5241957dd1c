"""The catalogue of faults: every way a row can break its contract, in words.

One entry a fault: the catalogue word of its rule, what must hold, and the cure.
Ledger, reports and tests take their text from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["CATALOGUE", "RULE_WORDS", "SET_ASIDE", "Wording", "word"]

RULE_WORDS = ("type", "range", "choice", "missing", "ambiguous", "row rule", "repeated key", "link", "shape")

SET_ASIDE = "its row was set aside"
"""Stands in what must hold of a link that fails only because another row does."""


@dataclass(frozen=True, slots=True)
class Wording:
    """What is wrong with a cell or row: catalogue word, what must hold, cure."""

    rule: str
    holds: str
    cure: str


CATALOGUE: Mapping[str, Wording] = {
    # numbers
    "number": Wording("type", "must be a number", "write the number alone, or declare the word under missing"),
    "number with unit": Wording(
        "type",
        "must be a number without its unit",
        "write {number} alone and give the unit once in dossier.yaml (units: {{{column}: {unit}}})",
    ),
    "number or thousand": Wording(
        "ambiguous",
        "must be read one way only; it could be {as_decimal} or {as_thousand}",
        "declare decimal and thousands in dossier.yaml",
    ),
    "decimal undeclared": Wording(
        "ambiguous",
        "must be written with a decimal point unless another mark is declared",
        "declare decimal: '{mark}' in dossier.yaml",
    ),
    "thousands undeclared": Wording(
        "ambiguous",
        "must be written without thousands marks unless they are declared",
        "declare thousands: {mark} in dossier.yaml",
    ),
    "number marks": Wording(
        "type",
        "must be a number written with decimal {decimal} and thousands {thousands}, as declared",
        "correct the number, or the declaration of the table in dossier.yaml",
    ),
    "digits": Wording("type", "must be written in the digits 0 to 9", "write the number in the digits 0 to 9"),
    "finite": Wording("type", "must be a finite number", "leave the cell blank, or declare the word under missing"),
    "integer": Wording("type", "must be a whole number", "correct the number"),
    "large integer": Wording("type", "must be a whole number of at most 15 digits", "correct the number"),
    "number cell": Wording(
        "type", "must be a number, but the cell holds {what}", "write the number, and format the cell as a number"
    ),
    # words
    "control": Wording(
        "type", "must be plain text; it holds the control character {code}", "remove the character U+{point}"
    ),
    "text cell": Wording(
        "type", "must be text, but the cell holds {what}", "format the cell as text and write it again"
    ),
    "yes-no": Wording("type", "must be yes or no", "write yes or no, or give the word under values in dossier.yaml"),
    "sheet error": Wording("type", "must be a value, but the cell holds the error {error}", "mend the formula"),
    "choice": Wording(
        "choice", "must be one of {choices}", "{near}correct the word, or give it under values in dossier.yaml"
    ),
    # moments
    "moment": Wording(
        "type",
        "must be a date with a time of day",
        "write it as 2027-01-13T09:05:00+01:00, or as 2027-01-13 09:05 with a time_zone declared",
    ),
    "no time": Wording(
        "type",
        "must have a time of day",
        "add the time, join the column that holds it (join: in dossier.yaml), "
        "or name this column under date_only in dossier.yaml to have bare dates read as 12:00",
    ),
    "midnight cell": Wording(
        "type",
        "must have a time of day; in a spreadsheet a midnight cannot be told from a bare date",
        "add the time; write a midnight as text, {date} 00:00; "
        "or name this column under date_only in dossier.yaml to have bare dates read as 12:00",
    ),
    "no date": Wording(
        "type", "must have a date", "add the date, or join the column that holds it (join: in dossier.yaml)"
    ),
    "short year": Wording("type", "must have a year of four digits", "write the year in four digits"),
    "no such moment": Wording("type", "must be a date and time that exist: {why}", "correct the date or the time"),
    "far year": Wording("type", "must lie in the years 1900 to 2200", "correct the year"),
    "nanoseconds": Wording("type", "must be a time in whole microseconds", "round the time to microseconds"),
    "day or month": Wording(
        "ambiguous",
        "must be read one way only; it could be {day_first} or {month_first}",
        "give the order in dossier.yaml (dates: day-first)",
    ),
    "order undeclared": Wording(
        "ambiguous",
        "must come with its order declared, since a column is read one way; by itself it can only be {only}",
        "give the order in dossier.yaml (dates: {order})",
    ),
    "order differs": Wording(
        "type",
        "must be written year-first, as declared",
        "write the year first, or correct dates: in dossier.yaml",
    ),
    "zone undeclared": Wording(
        "ambiguous",
        "must come with its offset from UTC, or with a time zone declared",
        "declare time_zone in dossier.yaml, or write the offset, e.g. {example}",
    ),
    "twice": Wording(
        "ambiguous",
        "must be one moment; clocks went back and it occurs twice in {zone}",
        "write the offset, e.g. {first} or {second}",
    ),
    "never": Wording(
        "type",
        "must be a time that occurs; clocks went forward over it in {zone}",
        "correct the time, or write the offset, e.g. {first} or {second}",
    ),
    # contract
    "missing": Wording("missing", "must not be blank", "give the {title}"),
    "merged down": Wording(
        "missing",
        "must not be blank inside merged cells, which hold their value in the first cell only",
        "the cell lies in the merged range {range}: unmerge and fill it down, "
        "or declare fill_down: [{column}] in dossier.yaml",
    ),
    "merged across": Wording(
        "missing",
        "must not be blank inside merged cells, which hold their value in the first cell only",
        "the cell lies in the merged range {range}: unmerge it and give each cell its own value",
    ),
    "between": Wording(
        "range", "must be from {low} to {high}{unit}", "correct the value, or the unit it is declared in"
    ),
    "length": Wording("range", "must have from {low} to {high} characters", "shorten or complete the text"),
    "choice of contract": Wording("choice", "must be one of {choices}", "correct the word"),
    "exact repeat": Wording(
        "repeated key", "must not repeat a row; it is the same as {place}", "delete the repeated row; the first is kept"
    ),
    "same key": Wording(
        "repeated key",
        "must be the only row with this key; {place} has the same key and other values",
        "keep the right one; neither was accepted",
    ),
    "link": Wording(
        "link",
        "must be {column} of a row of {record} in this dossier; {known}",
        "correct {child}, or add the missing row to {record}",
    ),
    "link set aside": Wording(
        "link",
        f"must be {{column}} of an accepted row of {{record}}; {SET_ASIDE} ({{place}})",
        "mend that row of {record}",
    ),
    # shape
    "too many cells": Wording(
        "shape",
        "must have {expected} cells, as the header has, but has {found}{span}",
        "quote the text that holds the delimiter, or remove the extra cells",
    ),
    "too few cells": Wording(
        "shape",
        "must have {expected} cells, as the header has, but has {found}{span}",
        "complete the row, or delete it if it is no record",
    ),
}


def word(code: str, given: Mapping[str, object] | None = None) -> Wording:
    """Return the wording of one fault with its places filled.

    Parameters
    ----------
    code : str
        Entry of `CATALOGUE`.
    given : mapping, optional
        Values of the named places in the entry's templates.

    Examples
    --------
    >>> word("between", {"low": 0, "high": 100, "unit": " pct"}).holds
    'must be from 0 to 100 pct'
    """
    entry = CATALOGUE[code]
    values = {} if given is None else given
    return Wording(entry.rule, entry.holds.format_map(values), entry.cure.format_map(values))
