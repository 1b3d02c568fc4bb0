"""The house has one direction: files → signals → one clock → findings → pictures. Read from the imports themselves."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "overlay"

# What each part may import of the others (besides itself). "cli" may import everything and nothing imports it.
BASE = {"errors", "clock", "timetable"}
ALLOWED = {
    "errors": set(),
    "clock": set(),
    "timetable": set(),
    "settings": {"errors"},
    "output": {"errors"},
    "flight_file": {"errors", "settings"},
    "readings": {"errors", "timetable"},
    "equipment": {"errors", "flight_file", "radio", "readings", "terrain", "tracks"},
    "recordings": BASE,
    "tracks": BASE,
    "terrain": {"errors"},
    "inspection": {"clock", "errors", "recordings", "tracks"},
    "motion": BASE | {"tracks"},
    "motion_survey": {"alignment", "motion", "recordings"},
    "picture_survey": {"picture", "recordings"},
    "motion_cache": {"errors", "motion", "output", "recordings"},
    "onboard_view": {
        "clock",
        "mechanics",
        "motion",
        "motion_cache",
        "motion_survey",
        "picture",
        "readings",
        "recordings",
    },
    "alignment": BASE | {"motion"},
    "picture": BASE,
    "mechanics": BASE | {"readings", "tracks"},
    "radio": BASE | {"readings", "mechanics"},
    "instruments": BASE | {"settings", "readings"},
    "layouts": {"errors", "settings", "readings", "instruments"},
    "gallery": {"instruments", "layouts", "readings", "render"},
    "render": BASE | {"instruments", "output", "recordings"},
    "clips": BASE | {"settings", "output", "readings", "mechanics", "recordings", "instruments", "layouts", "render"},
    "flight_review": {"clock", "errors", "flight", "instruments", "layouts", "recordings", "render"},
    "flight_clocks": {"alignment", "clock", "errors", "motion"},
    "log_flights": {"alignment", "clock", "errors", "flight_clocks", "flight_file", "motion", "tracks"},
    "flight_clips": {"clips", "clock", "errors", "flight", "instruments", "layouts"},
    "flight_comparison": {
        "clock",
        "equipment",
        "errors",
        "flight",
        "flight_file",
        "mechanics",
        "picture",
        "radio",
        "readings",
    },
    "debrief": BASE | {"readings", "alignment", "picture", "mechanics", "radio"},
    "exports": BASE | {"readings", "picture"},
    "flight": BASE
    | {
        "flight_file",
        "equipment",
        "flight_clocks",
        "log_flights",
        "readings",
        "motion_cache",
        "motion_survey",
        "onboard_view",
        "picture_survey",
        "recordings",
        "tracks",
        "motion",
        "alignment",
        "picture",
        "mechanics",
        "radio",
    },
}
SCIENCE = ("motion", "alignment", "picture", "mechanics", "radio")
NOT_IN_SCIENCE = {"av", "matplotlib", "bokeh", "PIL", "rich", "argparse", "pathlib", "subprocess", "ffmpeg", "pandas"}
HEAVY = {"av", "cv2", "pandas", "scipy", "matplotlib", "bokeh", "numpy", "PIL", "pydantic", "rich"}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Dotted names of everything a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the direction"
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_follow_the_flow(path: Path) -> None:
    part = part_of(path)
    if part in ("cli", "__init__"):
        return
    own = {name.split(".")[1] for name in imported(path) if name.startswith("overlay.")} - {part}
    assert own <= ALLOWED[part], f"{part} may not import {sorted(own - ALLOWED[part])}"
    assert "overlay_samples" not in {name.split(".")[0] for name in imported(path)}


@pytest.mark.parametrize("part", SCIENCE)
def test_the_science_opens_no_file_and_draws_nothing(part: str) -> None:
    for path in sorted((PACKAGE / part).rglob("*.py")):
        roots = {name.split(".")[0] for name in imported(path)}
        assert not roots & NOT_IN_SCIENCE, f"{path.name} imports {sorted(roots & NOT_IN_SCIENCE)}"
        calls = {node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                 if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}  # fmt: skip
        assert not calls & {"open", "print", "input"}, f"{path.name} calls {sorted(calls & {'open', 'print', 'input'})}"


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom overlay.cli import parser\nparser().format_help()\n"
        f"print(sorted({HEAVY!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


def test_no_module_is_longer_than_a_reader_can_hold() -> None:
    long = {str(p.relative_to(PACKAGE)): n for p in modules() if (n := len(p.read_text().splitlines())) > 450}
    assert not long
