"""Pictures of layouts: grounds that are what they claim to be, blending that is the renderer's, a page that is current."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from overlay import gallery, layouts
from overlay.cli.layouts import AHEAD, GROUNDS
from overlay.readings import Readings

ROOT = Path(__file__).parent.parent
NOTHING = Readings(np.arange(0.0, 60.0, 0.5))


def luminance(picture: np.ndarray) -> np.ndarray:
    """Relative luminance of sRGB, IEC 61966-2-1."""
    v = picture / 255.0
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def test_the_grounds_are_as_hard_as_they_are_called() -> None:
    seen = {name: luminance(gallery.ground(name, 640, 360)) for name in gallery.GROUNDS}
    assert np.percentile(seen["cloud"], 5) > 0.8
    assert np.percentile(seen["dark"], 95) < 0.05
    assert np.percentile(seen["night"], 95) < 0.05
    assert seen["night"].max() > 0.3
    assert np.ptp(seen["busy"]) > 0.9
    assert (seen["sun"] > 0.99).mean() > 0.01


def test_the_command_names_every_ground() -> None:
    assert (AHEAD, *gallery.GROUNDS) == GROUNDS


@pytest.mark.parametrize("name", gallery.GROUNDS)
def test_a_ground_is_the_same_picture_at_every_size(name: str) -> None:
    small, large = gallery.ground(name, 320, 180), gallery.ground(name, 640, 360)
    halved = large.reshape(180, 2, 320, 2, 3).mean(axis=(1, 3))
    assert np.corrcoef(small.reshape(-1), halved.reshape(-1))[0, 1] > (0.3 if name == "night" else 0.75)


def test_where_nothing_stands_the_ground_comes_back() -> None:
    ground = np.full((360, 640, 3), (90, 120, 60), np.uint8)
    shown = gallery.drawn(layouts.load("plain"), NOTHING, 5.0, ground)
    changed = (np.abs(shown.astype(int) - ground) > 3).any(axis=2)
    assert 0.02 < changed.mean() < 0.3
    assert not changed[150:200].any()


def test_the_inset_stands_where_the_layout_has_it() -> None:
    layout = layouts.load("plain")
    live = np.full((576, 720, 3), (200, 30, 30), np.uint8)
    shown = gallery.drawn(layout, NOTHING, 5.0, np.zeros((720, 1280, 3), np.uint8), inset=live)
    x, y, width, height = layout.inset_rect(1280, 720, 720 / 576)
    middle = shown[y + height // 2, x + width // 2].astype(int)
    assert np.abs(middle - (200, 30, 30)).max() <= 3


def test_a_sheet_holds_its_pictures_in_rows() -> None:
    pictures = [np.full((90, 160, 3), shade, np.uint8) for shade in (10, 20, 30)]
    whole = gallery.sheet(pictures, 2, 80, gap=4)
    assert whole.shape == (94, 164, 3)
    assert [int(whole[5, 5, 0]), int(whole[5, 90, 0]), int(whole[60, 5, 0]), int(whole[60, 90, 0])] == [10, 20, 30, 255]


def test_the_page_is_current_and_its_pictures_are_there() -> None:
    """`overlay layouts --gallery docs --overwrite` makes it anew."""
    page = (ROOT / "docs" / "gallery.md").read_text(encoding="utf-8")
    assert page == gallery.page({name: layouts.load(name) for name, _ in layouts.available()})
    for picture in re.findall(r"\]\(([^)]*)\)", page):
        assert (ROOT / "docs" / picture).is_file()
    assert sum(path.stat().st_size for path in (ROOT / "docs" / "pictures").iterdir()) < 4_000_000
