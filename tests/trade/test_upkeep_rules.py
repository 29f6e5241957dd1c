"""Upkeep rules: the shipped file is whole, and a wrong one is refused with the place and the reason."""

import pytest
import yaml

from auditkit.errors import DeclarationError
from auditkit.paths import schemas_folder
from auditkit.trade.upkeep import PARTS
from auditkit.trade.upkeep_rules import load_upkeep_rules

SHIPPED = schemas_folder() / "upkeep_rules.yaml"


def test_every_part_has_a_rule_with_a_source():
    """The brush at 50 % and the filter at each end of use: common practice, no source; the rest our own defaults."""
    rules = load_upkeep_rules()
    assert tuple(rules.parts) == PARTS
    assert all("no source" in rule.source or "own default" in rule.source for rule in rules.parts.values())
    assert rules.parts["brush"].wear_limit_pct == 50
    assert rules.parts["filter"].clean_every_d == 1
    assert {part for part, rule in rules.parts.items() if rule.cleaning_restores} == {
        "filter",
        "bell",
        "feed tube",
        "pickup stem",
        "elbow",
    }
    assert rules.parts["bell"].modes == ("worn", "clogged")
    assert rules.parts["o-rings"].modes == ("worn",)
    assert (rules.overdue_probability, rules.least_failures, rules.wear_slack_pct, rules.late_note_d) == (0.5, 5, 5, 31)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d["parts"].pop("elbow"), r"parts: must be lid gasket.*also or not elbow"),
        (lambda d: d["parts"]["bell"].update(inspect_d=3), r"parts.bell: keys must be among .*given inspect_d"),
        (lambda d: d["parts"]["bell"].pop("source"), r"parts.bell: must say where its figures come from"),
        (
            lambda d: d["parts"]["bell"].update(clean_every_d=0),
            r"parts.bell.clean_every_d: must be a number above 0; given 0",
        ),
        (lambda d: d["parts"]["bell"].update(cleaning_restores="no"), r"cleaning_restores: must be true or false"),
        (lambda d: d.update(least_failures=5), r"least_failures: must be a mapping of value and source; given 5"),
        (lambda d: d["overdue_probability"].update(value=1), r"overdue_probability: must lie between 0 and 1; given 1"),
    ],
)
def test_a_wrong_file_is_refused(tmp_path, change, message):
    document = yaml.safe_load(SHIPPED.read_text(encoding="utf-8"))
    change(document)
    path = tmp_path / "upkeep_rules.yaml"
    path.write_text(yaml.safe_dump(document), encoding="utf-8")
    with pytest.raises(DeclarationError, match=message):
        load_upkeep_rules(path)
