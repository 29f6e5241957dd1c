"""YAML read strictly: no repeated keys, and no surprise conversions in our own formats."""

from __future__ import annotations

import re
from collections.abc import Hashable
from typing import Any

import yaml

__all__ = ["PlainLoader", "StrictLoader", "read_plain_yaml", "read_yaml"]


class StrictLoader(yaml.SafeLoader):
    """A safe loader that refuses a key given twice, and references between parts."""

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        """Return the next node; an alias is refused, since a few lines of them can fill the memory."""
        if self.check_event(yaml.AliasEvent):
            raise yaml.constructor.ConstructorError(
                None, None, "references (*name) are not allowed; write the value out", self.get_mark()
            )
        return super().compose_node(parent, index)

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        """Return the mapping, with every key given once."""
        seen: set[Hashable] = set()
        for key_node, _ in node.value:
            key = self.construct_object(key_node, deep=True)
            if not isinstance(key, Hashable):
                raise yaml.constructor.ConstructorError(None, None, "a key must be one word", key_node.start_mark)
            if key in seen:
                raise yaml.constructor.ConstructorError(None, None, f"key {key!r} is given twice", key_node.start_mark)
            seen.add(key)
        return super().construct_mapping(node, deep=deep)


class PlainLoader(StrictLoader):
    """A strict loader that knows numbers, true, false and null; all else, dates and yes included, stays text."""


PlainLoader.yaml_implicit_resolvers = {}
for _tag, _pattern, _first in (
    ("tag:yaml.org,2002:bool", r"^(?:true|false|True|False|TRUE|FALSE)$", "tTfF"),
    ("tag:yaml.org,2002:null", r"^(?:~|null|Null|NULL|)$", ["~", "n", "N", ""]),
    ("tag:yaml.org,2002:int", r"^[-+]?(?:0|[1-9][0-9]*)$", "-+0123456789"),
    ("tag:yaml.org,2002:float", r"^[-+]?(?:0|[1-9][0-9]*)\.[0-9]+(?:[eE][-+]?[0-9]+)?$", "-+0123456789"),
):
    PlainLoader.add_implicit_resolver(_tag, re.compile(_pattern), list(_first))


def read_yaml(text: str) -> Any:
    """Return YAML 1.1 as every safe loader reads it, with repeated keys refused.

    Raises
    ------
    yaml.YAMLError
        The text is not YAML, or gives a key twice.

    Examples
    --------
    >>> read_yaml("a: yes")
    {'a': True}
    """
    return yaml.load(text, Loader=StrictLoader)


def read_plain_yaml(text: str) -> Any:
    """Return YAML in which words stay words: dates, yes, no and 007 are text.

    Raises
    ------
    yaml.YAMLError
        The text is not YAML, or gives a key twice.

    Examples
    --------
    >>> read_plain_yaml("{a: yes, b: 2027-01-13, c: 007, d: 7, e: 1.5, f: true}")
    {'a': 'yes', 'b': '2027-01-13', 'c': '007', 'd': 7, 'e': 1.5, 'f': True}
    """
    return yaml.load(text, Loader=PlainLoader)
