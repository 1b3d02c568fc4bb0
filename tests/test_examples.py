"""The examples in docstrings are true: each is run as it stands."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
SHOWN = sorted(path for path in (HOUSE / "overlay").rglob("*.py") if ">>> " in path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", SHOWN, ids=lambda path: str(path.relative_to(HOUSE)))
def test_examples_give_what_they_show(path: Path) -> None:
    module = importlib.import_module(".".join(path.relative_to(HOUSE).with_suffix("").parts))
    tried = doctest.testmod(module)
    assert tried.attempted > 0
    assert tried.failed == 0
