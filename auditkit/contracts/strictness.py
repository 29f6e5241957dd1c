"""Faults of a declaration against its JSON Schema, each with its path and the near match."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditkit.errors import ContractError, Fault

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import ValidationError

__all__ = ["faults_against", "near_match", "path_text", "read_schema"]


def near_match(word: str, known: Iterable[str]) -> str | None:
    """Return the known word nearest to `word`, or None if none is near.

    Examples
    --------
    >>> near_match("colums", ["columns", "checks"])
    'columns'
    >>> near_match("Stelle", ["spot", "side"]) is None
    True
    """
    by_fold = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.6)
    return by_fold[found[0]] if found else None


def path_text(path: Iterable[str | int]) -> str:
    """Return a path inside a document as text.

    Examples
    --------
    >>> path_text(["tables", 0, "wide", "value"])
    'tables[1].wide.value'
    """
    text = ""
    for step in path:
        # people count entries from one
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text


def read_schema(path: Path) -> dict[str, Any]:
    """Return the JSON Schema in a file.

    Raises
    ------
    ContractError
        The file is missing or is not JSON.
    """
    try:
        schema: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ContractError(f"{path.name}: must be a JSON Schema that can be read; given {error}.") from error
    return schema


@lru_cache(maxsize=8)
def _validator(schema_text: str) -> Draft202012Validator:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(json.loads(schema_text))


def faults_against(data: object, schema: Mapping[str, Any], *, where: str) -> list[Fault]:
    """Return what in `data` breaks a JSON Schema of the 2020-12 draft, in document order.

    Parameters
    ----------
    data : object
        Document as loaded.
    schema : mapping
        JSON Schema.
    where : str
        Name of the file, for the messages.

    Examples
    --------
    >>> schema = {"type": "object", "additionalProperties": False, "properties": {"title": {"type": "string"}}}
    >>> print(*faults_against({"titel": "x"}, schema, where="dossier.yaml"))
    dossier.yaml, titel: must be a key known here (title); given 'titel'. Write 'title', if that is what is meant.
    """
    faults: list[Fault] = []
    errors = _validator(json.dumps(schema, sort_keys=True)).iter_errors(data)
    for error in sorted(errors, key=lambda found: [str(step) for step in found.absolute_path]):
        faults.extend(_faults_of(error, where=where))
    return faults


def _faults_of(error: ValidationError, *, where: str) -> list[Fault]:
    """Return one schema error as faults; several unknown keys are several faults."""
    path = list(error.absolute_path)
    if error.validator == "additionalProperties":
        schema: Any = error.schema
        known = sorted(schema.get("properties", {}))
        return [
            Fault(
                where=f"{where}, {path_text([*path, str(key)])}",
                holds=f"must be a key known here ({', '.join(known)})",
                given=repr(key),
                cure=_key_cure(str(key), known),
            )
            for key in _instance(error)
            if key not in known
        ]
    place = f"{where}, {path_text(path)}" if path else where
    holds, cure = _rule_text(error)
    return [Fault(where=place, holds=holds, given=_given_text(error), cure=cure)]


def _instance(error: ValidationError) -> Any:
    return error.instance


def _key_cure(key: str, known: list[str]) -> str:
    near = near_match(key, known)
    return f"write {near!r}, if that is what is meant" if near else "remove it, or use a key that is known"


def _given_text(error: ValidationError) -> str:
    if error.validator == "required" and isinstance(error.instance, dict):
        return f"only {', '.join(map(str, error.instance)) or 'nothing'}"
    text = repr(error.instance)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _rule_text(error: ValidationError) -> tuple[str, str]:
    """Return what must hold and the cure, by the schema keyword that was broken."""
    value: Any = error.validator_value
    if error.validator == "required":
        missing = ", ".join(key for key in value if key not in _instance(error))
        return f"must have {missing}", f"add {missing}"
    if error.validator == "type":
        names = value if isinstance(value, list) else [value]
        return f"must be {' or '.join(_TYPE_WORDS[name] for name in names)}", "correct the value"
    if error.validator == "enum":
        choices = [str(choice) for choice in value]
        near = near_match(str(error.instance), choices)
        cure = f"write {near!r}, if that is what is meant" if near else "use one of these"
        return f"must be one of {', '.join(choices)}", cure
    return _PLAIN_RULES.get(str(error.validator), "must hold: {message}").format(
        value=value, message=error.message
    ), "correct the value"


_PLAIN_RULES = {
    "const": "must be {value}",
    "pattern": "must match {value}",
    "minimum": "must be at least {value}",
    "maximum": "must be at most {value}",
    "minItems": "must have at least {value} entries",
    "minProperties": "must have at least {value} entries",
    "minLength": "must not be empty",
    "uniqueItems": "must not list a thing twice",
}

_TYPE_WORDS = {
    "array": "a list",
    "boolean": "true or false",
    "integer": "a whole number",
    "null": "nothing",
    "number": "a number",
    "object": "a mapping of keys to values",
    "string": "text",
}
