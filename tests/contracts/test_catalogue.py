from string import Formatter

import pytest

from auditkit.contracts.catalogue import CATALOGUE, RULE_WORDS, word


@pytest.mark.parametrize("code", sorted(CATALOGUE))
def test_every_entry_says_what_must_hold_and_the_cure(code):
    entry = CATALOGUE[code]
    assert entry.rule in RULE_WORDS
    assert entry.holds.startswith("must ")
    assert entry.cure
    assert not entry.cure.endswith(".")
    fields = {name for text in (entry.holds, entry.cure) for _, name, _, _ in Formatter().parse(text) if name}
    filled = word(code, dict.fromkeys(fields, "xyz"))
    assert ("xyz" in filled.holds + filled.cure) == bool(fields)


def test_a_place_left_open_is_a_fault_of_the_program():
    with pytest.raises(KeyError):
        word("between", {"low": 1})
