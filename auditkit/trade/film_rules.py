"""Published rules for film thickness, as figures read from `film_rules.yaml`.

References
----------
.. [1] SSPC-PA 2, Procedure for Determining Conformance to Dry Coating Thickness Requirements, 2012 to 2018.
.. [2] ISO 19840:2012, Measurement of, and acceptance criteria for, the thickness of dry films on rough surfaces.
.. [3] IMO resolution MSC.215(82), Performance standard for protective coatings, definition 2.7 and Annex 3.
"""

from __future__ import annotations

import difflib
import functools
import hashlib
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from auditkit.errors import ContractError
from auditkit.paths import schemas_folder

__all__ = [
    "Bound",
    "Count",
    "Figure",
    "FilmRules",
    "Iso19840",
    "Level",
    "NinetyTen",
    "Pa2",
    "load_film_rules",
]

_SURE = ("seen", "from memory")
_BOUNDS = ("gage_min", "gage_max", "spot_min", "spot_max", "area_min", "area_max")
_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of a published rule, with its source; `from_memory` where it was not seen printed."""

    value: float
    source: str
    from_memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A factor of the specified minimum or maximum; its value is None where the rule sets no limit."""

    value: float | None
    source: str
    from_memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One row of a table of measurements: up to this size, so many readings, so many of them repeated."""

    up_to_m2: float
    readings: int
    repeats: int
    source: str
    from_memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Limits of one restriction level, as factors of the specified minimum and maximum [1]_."""

    gage_min: Bound
    gage_max: Bound
    spot_min: Bound
    spot_max: Bound
    area_min: Bound
    area_max: Bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Pa2:
    """Figures of SSPC-PA 2."""

    title: str
    default_level: Figure
    readings_per_spot: Figure
    spots_per_part: Figure
    part_size_m2: Figure
    every_part_up_to_m2: Figure
    sampled_parts: Figure
    sampled_up_to_m2: Figure
    further_part_per_m2: Figure
    extent_step_m: Figure
    extent_directions: Figure
    extent_conforming_in_a_row: Figure
    extent_units_below_m: Figure
    extent_suspect_within_m: Figure
    levels: Mapping[int, Level]


@dataclass(frozen=True, slots=True, kw_only=True)
class Iso19840:
    """Figures of ISO 19840."""

    title: str
    scope_from_um: Figure
    profile_correction_um: Mapping[str, Figure]
    measurements: tuple[Count, ...]
    further_readings: Figure
    further_per_m2: Figure
    further_repeat_share: Figure
    split_above_m2: Figure
    mean_min: Figure
    reading_min: Figure
    share_below: Figure
    reading_max: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class NinetyTen:
    """Figures of the 90/10 practice."""

    title: str
    m2_per_reading: Figure
    least_readings: Figure
    share_reached: Figure
    reading_min: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmRules:
    """The three published rules, and the digest of the file they were read from."""

    pa2: Pa2
    iso19840: Iso19840
    ninety_ten: NinetyTen
    digest: str


def load_film_rules(path: Path | None = None) -> FilmRules:
    """Return the rules as read from a file, each key and figure checked.

    Parameters
    ----------
    path : Path, optional
        A corrected copy of `film_rules.yaml`; left out, the file that ships
        with the package.

    Raises
    ------
    ContractError
        The file cannot be read, a key is unknown, missing or given twice, or
        a figure is not a number.

    Examples
    --------
    >>> rules = load_film_rules()
    >>> rules.pa2.levels[3].spot_min.value, rules.pa2.levels[4].area_max.value
    (0.8, None)
    >>> rules.iso19840.share_below.source
    'ISO 19840, acceptance: strictly fewer (trade association page; trade article)'
    """
    return _shipped_rules() if path is None else _read(path)


@functools.cache
def _shipped_rules() -> FilmRules:
    return _read(schemas_folder() / "film_rules.yaml")


def _read(path: Path) -> FilmRules:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ContractError(
            f"{path} must be a readable file of film rules; {error.strerror}. Name a corrected copy of film_rules.yaml."
        ) from error
    top = _Section(_parse(content, path.name), path.name)
    version = top.take("version")
    if version != _VERSION:
        raise ContractError(
            f"{path.name}, version: must be {_VERSION}; given {version!r}. Start from the shipped file."
        )
    rules = FilmRules(
        pa2=_pa2(top.section("sspc-pa-2")),
        iso19840=_iso19840(top.section("iso-19840")),
        ninety_ten=_ninety_ten(top.section("90-10")),
        digest=hashlib.sha256(content).hexdigest(),
    )
    top.close()
    return rules


def _parse(content: bytes, name: str) -> Any:
    import yaml

    class StrictLoader(yaml.SafeLoader):
        """A safe loader that refuses a key given twice."""

    def mapping(loader: yaml.SafeLoader, node: yaml.MappingNode) -> dict[Any, Any]:
        keys = [loader.construct_object(key, deep=True) for key, _ in node.value]
        for key in keys:
            if keys.count(key) > 1:
                line = node.start_mark.line + 1
                raise ContractError(f"{name}, from line {line}: the key {key!r} is given twice. Keep one of them.")
        return dict(loader.construct_pairs(node, deep=True))

    StrictLoader.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, mapping)
    try:
        return yaml.load(content, Loader=StrictLoader)
    except yaml.YAMLError as error:
        raise ContractError(f"{name} must be valid YAML; {error}. Start from the shipped file.") from error


class _Section:
    """One mapping of the file; what was not taken when it is closed is an unknown key."""

    def __init__(self, content: Any, where: str) -> None:
        if not isinstance(content, dict):
            raise ContractError(f"{where}: must be a mapping of keys; given {content!r}. Start from the shipped file.")
        self._content = dict(content)
        self._taken: list[Any] = []
        self.where = where

    def take(self, key: Any) -> Any:
        self._taken.append(key)
        if key not in self._content:
            raise ContractError(f"{self.where}: the key {key!r} is missing{self._near(key, self._content)}.")
        return self._content[key]

    def section(self, key: Any) -> _Section:
        return _Section(self.take(key), f"{self.where}, {key}")

    def close(self) -> None:
        for key in self._content:
            if key not in self._taken:
                raise ContractError(f"{self.where}: the key {key!r} is not known{self._near(key, self._taken)}.")

    @staticmethod
    def _near(key: Any, known: Iterable[Any]) -> str:
        near = difflib.get_close_matches(str(key), [str(name) for name in known], n=1)
        return f"; did you mean {near[0]!r}?" if near else ""


def _figure(section: _Section) -> Figure:
    """Return a figure that must be a number above 0."""
    value = _number(section.take("value"), f"{section.where}, value", "a number above 0")
    source, sure = section.take("source"), section.take("sure")
    section.close()
    return Figure(value=value, source=str(source), from_memory=_from_memory(sure, section.where))


def _bound(section: _Section) -> Bound:
    """Return a figure that may also be `unrestricted`."""
    value = section.take("value")
    if value == "unrestricted":
        factor = None
    else:
        factor = _number(value, f"{section.where}, value", "a number above 0, or `unrestricted`")
    source, sure = section.take("source"), section.take("sure")
    section.close()
    return Bound(value=factor, source=str(source), from_memory=_from_memory(sure, section.where))


def _number(value: Any, where: str, holds: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < math.inf:
        raise ContractError(f"{where}: must be {holds}; given {value!r}.")
    return float(value)


def _from_memory(sure: Any, where: str) -> bool:
    if sure not in _SURE:
        raise ContractError(f"{where}, sure: must be one of {', '.join(_SURE)}; given {sure!r}.")
    return bool(sure == "from memory")


def _figures(section: _Section) -> Callable[[str], Figure]:
    """Return a function that takes one figure of a section."""

    def take(key: str) -> Figure:
        return _figure(section.section(key))

    return take


def _level(section: _Section) -> Level:
    level = Level(**{bound: _bound(section.section(bound)) for bound in _BOUNDS})
    section.close()
    return level


def _pa2(section: _Section) -> Pa2:
    take = _figures(section)
    levels = section.section("levels")
    rule = Pa2(
        title=str(section.take("title")),
        default_level=take("default_level"),
        readings_per_spot=take("readings_per_spot"),
        spots_per_part=take("spots_per_part"),
        part_size_m2=take("part_size_m2"),
        every_part_up_to_m2=take("every_part_up_to_m2"),
        sampled_parts=take("sampled_parts"),
        sampled_up_to_m2=take("sampled_up_to_m2"),
        further_part_per_m2=take("further_part_per_m2"),
        extent_step_m=take("extent_step_m"),
        extent_directions=take("extent_directions"),
        extent_conforming_in_a_row=take("extent_conforming_in_a_row"),
        extent_units_below_m=take("extent_units_below_m"),
        extent_suspect_within_m=take("extent_suspect_within_m"),
        levels={number: _level(levels.section(number)) for number in range(1, 6)},
    )
    levels.close()
    section.close()
    return rule


def _iso19840(section: _Section) -> Iso19840:
    take = _figures(section)
    corrections = section.section("profile_correction_um")
    rule = Iso19840(
        title=str(section.take("title")),
        scope_from_um=take("scope_from_um"),
        profile_correction_um={
            profile: _figure(corrections.section(profile)) for profile in ("fine", "medium", "coarse", "unknown")
        },
        measurements=_counts(section.take("measurements"), f"{section.where}, measurements"),
        further_readings=take("further_readings"),
        further_per_m2=take("further_per_m2"),
        further_repeat_share=take("further_repeat_share"),
        split_above_m2=take("split_above_m2"),
        mean_min=take("mean_min"),
        reading_min=take("reading_min"),
        share_below=take("share_below"),
        reading_max=take("reading_max"),
    )
    corrections.close()
    section.close()
    return rule


def _counts(rows: Any, where: str) -> tuple[Count, ...]:
    if not isinstance(rows, list) or not rows:
        raise ContractError(f"{where}: must be a list of rows; given {rows!r}.")
    counts = tuple(_count(_Section(row, f"{where}, row {number}")) for number, row in enumerate(rows, start=1))
    sizes = [count.up_to_m2 for count in counts]
    if sizes != sorted(set(sizes)):
        raise ContractError(f"{where}: up_to_m2 must rise from row to row; given {sizes}.")
    return counts


def _count(section: _Section) -> Count:
    size, readings, repeats = section.take("up_to_m2"), section.take("readings"), section.take("repeats")
    source, sure = section.take("source"), section.take("sure")
    section.close()
    return Count(
        up_to_m2=_number(size, f"{section.where}, up_to_m2", "a number above 0"),
        readings=int(_number(readings, f"{section.where}, readings", "a number above 0")),
        repeats=int(_number(repeats, f"{section.where}, repeats", "a number above 0")),
        source=str(source),
        from_memory=_from_memory(sure, section.where),
    )


def _ninety_ten(section: _Section) -> NinetyTen:
    take = _figures(section)
    rule = NinetyTen(
        title=str(section.take("title")),
        m2_per_reading=take("m2_per_reading"),
        least_readings=take("least_readings"),
        share_reached=take("share_reached"),
        reading_min=take("reading_min"),
    )
    section.close()
    return rule
