"""The documents are checked against the program: every command, option and flight-file key is described."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import pytest

from overlay.cli import parser
from overlay.flight_file import FlightFile
from overlay.layouts import available
from overlay.settings import Settings

ROOT = Path(__file__).parent.parent
COMMANDS = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")


def commands() -> dict[str, argparse.ArgumentParser]:
    subparsers = next(a for a in parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(subparsers.choices)


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_and_option_is_described(name: str) -> None:
    assert f"## overlay {name}" in COMMANDS
    for action in commands()[name]._actions:
        for option in action.option_strings:
            if option not in ("-h",):
                assert f"`{option}" in COMMANDS, f"{option} of overlay {name}"
        assert action.help, f"{action.dest} of overlay {name} has no help"


def keys(model: type[Settings], prefix: str = "") -> Iterator[str]:
    for name, field in model.model_fields.items():
        inner = next((t for t in (field.annotation, *getattr(field.annotation, "__args__", ()))
                      if isinstance(t, type) and issubclass(t, Settings)), None)  # fmt: skip
        if inner is not None:
            yield from keys(inner, f"{name}.")
        else:
            yield f"{prefix}{name}"


@pytest.mark.parametrize("key", sorted(keys(FlightFile)))
def test_every_flight_file_key_is_described(key: str) -> None:
    assert f"`{key}`" in COMMANDS


def test_every_layout_is_named() -> None:
    for name, _ in available():
        assert f"`{name}`" in COMMANDS


def test_the_readme_begins_with_the_two_commands() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = readme.split("```sh\n")[1:]
    lines = [line for block in blocks for line in block.split("```")[0].splitlines()]
    assert lines[0].endswith(".venv/bin/overlay demo demo-flight")
    assert lines[1].endswith(".venv/bin/python -m pytest")
