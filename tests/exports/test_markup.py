"""Words within XML 1.0, read back by a parser that is not ours."""

from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.exports.markup import character_data


@pytest.mark.parametrize(
    ("words", "read"),
    [("a < b & c > d", "a < b & c > d"), ("12\u00a0km", "12\u00a0km"), ("one\ntwo\x00\x1b[31m", "onetwo[31m")],
)
def test_words_come_back(words: str, read: str) -> None:
    assert ET.fromstring(f"<name>{character_data(words)}</name>").text == read


@given(st.text())
def test_whatever_is_written_is_well_formed(words: str) -> None:
    ET.fromstring(f"<name>{character_data(words)}</name>")
