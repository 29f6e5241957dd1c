import pytest
import yaml

from auditkit.contracts.strict_yaml import read_plain_yaml, read_yaml


@pytest.mark.parametrize("read", [read_yaml, read_plain_yaml])
@pytest.mark.parametrize("text", ["a: 1\na: 2", "x:\n  b: 1\n  b: 1", "{1: a, 1: b}"])
def test_a_key_given_twice_is_refused(read, text):
    with pytest.raises(yaml.YAMLError, match="is given twice"):
        read(text)


@pytest.mark.parametrize("read", [read_yaml, read_plain_yaml])
def test_references_are_refused(read):
    with pytest.raises(yaml.YAMLError, match="references"):
        read("a: &x [1, 2]\nb: *x")


@pytest.mark.parametrize("read", [read_yaml, read_plain_yaml])
def test_python_objects_are_refused(read):
    with pytest.raises(yaml.YAMLError):
        read("!!python/object/apply:os.getcwd []")


@pytest.mark.parametrize("text", ["yes", "no", "on", "off", "y", "2027-01-13", "007", "0x1F", "1:30", "12e3", "1_000"])
def test_plain_words_stay_words(text):
    assert read_plain_yaml(f"a: {text}") == {"a": text}


def test_plain_numbers_and_truth_are_read():
    assert read_plain_yaml("[1, -2, 1.5, 1.5e3, true, null]") == [1, -2, 1.5, 1500.0, True, None]


def test_a_key_that_is_a_list_is_refused():
    with pytest.raises(yaml.YAMLError, match=r"one word|unhashable"):
        read_plain_yaml("? [a, b]\n: 1")
