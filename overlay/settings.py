"""TOML settings checked against a model, with the file, line and column of whatever is wrong."""

from __future__ import annotations

import difflib
import json
import os
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from overlay.errors import InputError

LARGEST_FILE = 1 << 20  # a settings file of more than 1 MiB is something else


class Settings(BaseModel):
    """Base of every model that is read from TOML: unknown keys are errors, values are not coerced from text."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


Model = TypeVar("Model", bound=Settings)


def load(path: str | os.PathLike[str], model: type[Model], error: type[InputError]) -> Model:
    """Read a TOML file into `model`; raises `error` as one line: file:line:column, what was found, what to do."""
    text = _text(path, error)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as broken:
        message, place = _toml_place(broken)
        raise error(f"{path}{place}", message, _toml_remedy(text, place)) from broken
    try:
        # through JSON, where a list may become a tuple although text may not become a number
        return model.model_validate_json(json.dumps(data, default=str))
    except ValidationError as invalid:
        raise _first_problem(f"{path}", text, data, model, invalid, error) from invalid


def _text(path: str | os.PathLike[str], error: type[InputError]) -> str:
    source = Path(path)
    if not source.is_file():
        raise error(path, "no such file" if not source.exists() else "not a regular file", "give a TOML file")
    try:
        if source.stat().st_size > LARGEST_FILE:
            raise error(path, "larger than 1 MiB", "give a TOML file")
        return source.read_text(encoding="utf-8-sig")  # some editors put a byte order mark first
    except (OSError, UnicodeDecodeError) as broken:
        reason = "not UTF-8 text" if isinstance(broken, UnicodeDecodeError) else str(broken.strerror).lower()
        raise error(path, reason, "give a readable TOML file") from broken


def _toml_place(broken: tomllib.TOMLDecodeError) -> tuple[str, str]:
    match = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(broken))
    if match:
        return match[1].lower(), f":{match[2]}:{match[3]}"
    return str(broken).lower(), ""


def _toml_remedy(text: str, place: str) -> str:
    """What is wrong as a rule with a line that is no TOML."""
    lines, number = text.splitlines(), place.split(":")[1] if place else ""
    line = lines[int(number) - 1] if number.isdigit() and int(number) <= len(lines) else ""
    if re.search(r'"[^"]*\\', line):
        return "in double quotes a backslash begins an escape: write paths with / or in 'single quotes'"
    if re.match(r"\s*[\w.]+\s*=\s*[^\W\d]", line):
        return 'put text in quotes: "…"'
    return "mend the TOML"


def _first_problem(
    path: str, text: str, data: dict[str, Any], model: type[Settings], invalid: ValidationError, error: type[InputError]
) -> InputError:
    problems = invalid.errors(include_url=False)
    # a misspelt key is also a missing one: tell the cause, not the consequence
    problem = min(problems, key=lambda found: found["type"] != "extra_forbidden")
    location = _written(data, problem["loc"])
    if problem["type"] == "union_tag_invalid":
        location = (*location, problem["ctx"]["discriminator"].strip("'"))
    line, column = place_of(text, location)
    where, name = f"{path}:{line}:{column}", ".".join(str(part) for part in location)
    if problem["type"] == "extra_forbidden":
        return error(where, f"unknown key {name!r}", _suggestion(str(location[-1]), _names(model, problem["loc"][:-1])))
    if problem["type"] in ("missing", "union_tag_not_found"):
        lacking = "" if problem["type"] == "missing" else "." + problem["ctx"]["discriminator"].strip("'")
        return error(where, f"{name + lacking!r} is missing", "add it")
    found = problem["ctx"]["tag"] if problem["type"] == "union_tag_invalid" else problem["input"]
    shown = repr(found) if len(repr(found)) <= 60 else repr(found)[:57] + "…"
    said = f"unusable {name or 'file'}" if isinstance(found, dict) else f"{name} = {shown}"
    alternatives = [other for other in problems if other is problem or _written(data, other["loc"]) == location]
    return error(where, said, _remedy(found, alternatives))


def _remedy(found: object, problems: Sequence[Any]) -> str:
    """What would be right: the nearest of the words allowed, else what each alternative of the model asks for."""
    expected = [p.get("ctx", {}).get(key, "") for p in problems for key in ("expected", "expected_tags")]
    words = re.findall(r"'([^']*)'", " ".join(e for e in expected if isinstance(e, str)))
    if isinstance(found, str) and difflib.get_close_matches(found, words, n=1, cutoff=0.4):
        return _suggestion(found, words)
    if found in ([], ()):
        return "name at least one, or leave it out"
    return " or ".join(dict.fromkeys(str(p["msg"]).removeprefix("Value error, ").lower() for p in problems))


def _written(data: object, location: Sequence[Any]) -> tuple[Any, ...]:
    """The part of a location that stands in the file: the model's own names for alternatives are left out."""
    path: list[Any] = []
    for n, part in enumerate(location):
        inside = isinstance(data, dict) and part in data
        if isinstance(data, list) and isinstance(part, int) and part < len(data):
            inside = True
        if inside:
            data = data[part]  # type: ignore[index]  # narrowed by `inside`
        if inside or (n == len(location) - 1 and isinstance(data, dict)):
            path.append(part)
    return tuple(path)


def _suggestion(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
    listed = ", ".join(known) if known else "none"
    return f"did you mean {near[0]!r}? known here: {listed}" if near else f"known here: {listed}"


def _names(model: type[Settings], location: tuple[Any, ...]) -> list[str]:
    """The keys that are allowed at `location`, following nested models."""
    schema: dict[str, Any] = model.model_json_schema()
    definitions = schema.get("$defs", {})
    here = schema
    for part in location:
        here = _follow(here, part, definitions)
    return sorted(_resolved(here, definitions).get("properties", {}))


def _resolved(schema: dict[str, Any], definitions: dict[str, Any]) -> dict[str, Any]:
    options = [schema, *schema.get("anyOf", [])]
    reference = next((o["$ref"] for o in options if "$ref" in o), None)
    return definitions.get(reference.rsplit("/", 1)[-1], schema) if reference else schema


def _follow(schema: dict[str, Any], part: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    resolved = _resolved(schema, definitions)
    if "discriminator" in resolved:
        return {"$ref": resolved["discriminator"]["mapping"][part]}
    if isinstance(part, int):
        items: dict[str, Any] = resolved.get("items", {})
        return items
    found: dict[str, Any] = resolved.get("properties", {}).get(part, {})
    return found


def place_of(text: str, location: Sequence[Any]) -> tuple[int, int]:
    r"""(line, column), from 1, of a key path in TOML text; the nearest enclosing table where the key is not written.

    >>> place_of('version = 1\n[pack]\n  cells = 4\n', ("pack", "cells"))
    (3, 3)
    """
    wanted = [part for part in location if not isinstance(part, int)]
    counts = [part for part in location if isinstance(part, int)]
    best, depth, seen = (1, 1), 0, 0
    table: list[str] = []
    inside = True
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]", line)
        if header:
            table = [part.strip().strip("\"'") for part in header[2].split(".")]
            inside = table == wanted[: len(table)]
            if inside and header[1] == "[[" and counts:
                inside, seen = seen == counts[0], seen + 1
            if inside and len(table) >= depth:
                best, depth = (number, line.index("[") + 1), len(table)
            continue
        key = re.match(r"\s*([A-Za-z0-9_\-\"'.]+)\s*=", line)
        if key and inside:
            path = table + [part.strip().strip("\"'") for part in key[1].split(".")]
            if path == wanted[: len(path)] and len(path) > depth:
                best, depth = (number, key.start(1) + 1), len(path)
    return best
