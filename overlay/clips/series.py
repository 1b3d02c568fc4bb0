"""Every clip of a list, cut one after the other, and the contact sheet of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from overlay.clips.clip_list import Clip, ClipList, file_name
from overlay.clips.cut import Cut, cut
from overlay.clips.plan import Plan
from overlay.clips.propose import plan_of
from overlay.clips.scene import Material, scene_of
from overlay.clips.sheet import Row, contact_sheet
from overlay.clock import format_duration
from overlay.errors import UsageError
from overlay.output import writing

SHEET = "clips.png"


def cut_all(
    material: Material, clips: ClipList, folder: Path, *, overwrite: bool, progress: Callable[[float], None]
) -> tuple[list[Cut], Path | None]:
    """Cut every clip of the list that is to be cut; then the contact sheet, None where nothing was.

    `progress` is called with the share done, 0 … 1.
    """
    jobs: list[tuple[Clip, Path, Plan]] = []
    for number, clip in enumerate(clips.clip, 1):
        if clip.cut:
            scene_of(material, clip, clips)  # what cannot be drawn is told before anything is cut
            plan = plan_of(clip, clips, material.footage[clip.picture].recording)
            jobs.append((clip, folder / file_name(number, clip), plan))
    sheet = folder / SHEET
    _require_free([path for _, path, _ in jobs] + ([sheet] if jobs else []), overwrite)
    total, before, done = sum(plan.frames for *_, plan in jobs), 0, []
    for clip, path, plan in jobs:
        told = before
        done.append(
            cut(scene_of(material, clip, clips), plan, path, overwrite=overwrite,
                progress=lambda n, told=told: progress((told + n) / total))  # type: ignore[misc]
        )  # fmt: skip
        before += plan.frames
    if not done:
        return [], None
    _write_sheet(sheet, [(clip, plan) for clip, _, plan in jobs], done, overwrite)
    return done, sheet


def _write_sheet(path: Path, jobs: list[tuple[Clip, Plan]], done: list[Cut], overwrite: bool) -> None:
    rows = []
    for (clip, plan), one in zip(jobs, done, strict=True):
        facts = f"{Path(one.path).name} · {format_duration(one.duration_s)} · {clip.picture} {clip.first} to {clip.end}"
        rows.append(Row(clip.name, f"{facts} · {plan.frames} pictures", one.stills))
    with writing(path, overwrite=overwrite) as temporary:
        contact_sheet(rows).save(temporary, format="PNG")


def _require_free(paths: list[Path], overwrite: bool) -> None:
    there = [path for path in paths if path.exists()]
    if there and not overwrite:
        raise UsageError(f"{there[0]} exists; give --overwrite to replace it, or another folder")
