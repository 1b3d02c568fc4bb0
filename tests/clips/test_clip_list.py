from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.clips.clip_list import Clip, ClipList, ClipListError, Cover, as_toml, file_name, read, time_text

WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\x7f"), max_size=40)


@st.composite
def clips(draw: st.DrawFn) -> Clip:
    first = draw(st.integers(0, 3_600_000))
    length = draw(st.integers(1, 600_000))
    at = draw(st.integers(0, length - 1))
    return Clip(
        kind=draw(st.sampled_from(["break-up", "by hand"])), title=draw(WORDS), caption=draw(WORDS),
        picture=draw(st.sampled_from(["camera", "ground"])), first=time_text(first / 1000),
        at=draw(st.sampled_from([None, time_text((first + at) / 1000)])), end=time_text((first + length) / 1000),
        hold_s=draw(st.floats(0, 30)), slow=draw(st.integers(1, 16)), cut=draw(st.booleans()),
    )  # fmt: skip


@given(st.lists(clips(), max_size=4), st.booleans())
def test_a_list_comes_back_as_it_was_written(made: list[Clip], sound: bool) -> None:
    cover = (Cover(picture="ground", left=0.1, top=0.2, width=0.3, height=0.4),)
    whole = ClipList(version=1, sound=sound, cover=cover, clip=tuple(made))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clips.toml"
        path.write_text(as_toml(whole), encoding="utf-8", newline="")
        assert read(path) == whole


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('first = "0:00:10"\nend = "0:00:05"', "first ≤ at < end"),
        ('first = "0:00:00"\nend = "0:20:00"', "no longer than 10 minutes"),
        ('first = "soon"\nend = "0:20:00"', "hours:minutes:seconds"),
        ('first = "0:00:00"\nend = "0:00:05"\nslwo = 2', "did you mean 'slow'"),
        ('first = "0:00:00"\nend = "0:00:05"\nslow = 99', "16"),
        ('first = "0:00:00"\nend = "0:00:05"\nview = "beside"', "side by side"),
        ('end = "0:00:05"', "'clip.0.first' is missing"),
    ],
)
def test_mistakes_are_told_with_their_line(tmp_path: Path, line: str, said: str) -> None:
    path = tmp_path / "clips.toml"
    path.write_text(f"version = 1\n[[clip]]\n{line}\n")
    with pytest.raises(ClipListError, match=r"clips.toml:\d+:\d+: ") as error:
        read(path)
    assert said in str(error.value)


@given(WORDS, st.integers(1, 999))
def test_file_names_suit_every_file_system(title: str, number: int) -> None:
    name = file_name(number, Clip(title=title, first="0:00:00", end="0:00:01"))
    assert name.endswith(".mp4")
    assert len(name) < 60
    assert all(c.isascii() and (c.isalnum() or c in "-.") for c in name)
