"""A flight out and home with six break-ups, the same known by positions alone, and a browser to look with."""

from __future__ import annotations

import asyncio
import base64
import io
import itertools
import json
import shutil
import subprocess
from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.alignment import Alignment
from overlay.cli.debrief import evidence_png
from overlay.clock import AffineClock
from overlay.debrief.breakup_table import shown_frames
from overlay.debrief.story import Story
from overlay.mechanics.findings import findings_of
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.carrier import LinkRatio
from overlay.picture.features import Features
from overlay.picture.states import CLEAN, STATES
from overlay.readings import BrokenPicture, Event, Home, Leg, Pack, Readings

START_S = 1_777_803_000.0
FRAMES_HZ = 25
# onset and length (s), kind, worst grade, bank at onset
BREAKUPS = (
    (505.0, 7.0, "sparkle", 2.2, 3.0),
    (601.0, 4.0, "sparkle", 2.0, -31.0),
    (655.0, 9.5, "tearing", 1.4, 28.0),
    (812.0, 31.0, "no sync", 1.0, 36.0),
    (851.0, 22.0, "noise", 1.6, -2.0),
    (1033.0, 12.0, "tearing", 1.5, -25.0),
)


def make_readings(seconds: float = 1780.0, rate_Hz: float = 5.0) -> Readings:
    """Out north-east to about 10 km, round, and home, scaled to `seconds`; wind from the north-east."""
    t = np.arange(0.0, seconds, 1 / rate_Hz)
    u = t / seconds
    turn = np.interp(u, [0, 0.03, 0.5, 0.55, 0.92, 1], [0, 0, 1, 1, 0.01, 0])
    east, north = 7000.0 * turn, 7200.0 * turn + 150.0 * np.sin(40 * u) * turn
    speed = np.hypot(np.gradient(east, t), np.gradient(north, t))
    homeward = u > 0.52
    bank = 4.0 * np.sin(t / 3.0)
    for onset, length, _, _, banked in BREAKUPS:
        inside = (t >= onset - 1) & (t <= onset + length)
        bank[inside] = banked
    used = 3900.0 * u
    need = 950.0 * turn
    columns = {
        "latitude_deg": 47.0 + north / 111_180.0,
        "longitude_deg": -33.0 + east / 76_000.0,
        "east_m": east, "north_m": north, "range_m": np.hypot(east, north),
        "bearing_deg": np.full(len(t), 44.2),
        "height_m": 150.0 * np.clip(np.minimum(u, 1 - u) * 20, 0, 1) + 6 * np.sin(t / 11),
        "ground_speed_mps": speed,
        "airspeed_mps": np.where(speed > 2, np.abs(speed + np.where(homeward, -5.0, 5.0)), 0.0),
        "course_deg": np.where(homeward, 224.0, 44.0), "tailwind_mps": np.where(homeward, 5.0, -5.0) + np.sin(t / 30),
        "bank_deg": bank, "distance_m": np.cumsum(speed) / rate_Hz, "voltage_V": 16.6 - 2 * u,
        "charge_used_mAh": used, "energy_used_Wh": used * 15.4 / 1000, "charge_home_mAh": need,
        "charge_reserve_mAh": np.full(len(t), 1040.0), "charge_spare_mAh": 5200.0 - used - need - 1040.0,
        "reach_m": 10_000.0 * turn + 9000.0 * (1 - u), "control_link_pct": 100.0 - 50.0 * turn,
        "control_rssi_dBm": -50.0 - 40.0 * turn,
    }  # fmt: skip
    silent = (u > 0.67) & (u < 0.675)
    for values in columns.values():
        values[silent] = np.nan
    names = ("on the ground", "take-off", "out", "loiter", "home", "landing", "on the ground", "")
    cuts = zip(names, (0.0, 0.022, 0.06, 0.48, 0.55, 0.92, 0.98, 1.0), strict=True)
    at = [(name, START_S + share * seconds) for name, share in cuts]
    legs = tuple(Leg(name, start, end) for (name, start), (_, end) in itertools.pairwise(at))
    return Readings(
        START_S + t,
        columns,
        home=Home(47.0, -33.0, 31.0, "where the aircraft stood before take-off"),
        legs=legs,
        breakups=tuple(BrokenPicture(START_S + o, START_S + o + n, kind, worst) for o, n, kind, worst, _ in BREAKUPS),
        pack=Pack(5200.0, cells=4),
        events=(Event("launch", legs[1].start_s), Event("turn-back", legs[4].start_s), Event("landing", legs[5].end_s)),
        derived={"distance_m": "summed from the positions", "charge_home_mAh": "straight home"},
    )


def make_diagnosis(readings: Readings, *, causes: bool) -> Diagnosis:
    """A picture that fades with range and breaks up where `BREAKUPS` says."""
    t = np.arange(0.0, readings.time_s[-1] - readings.time_s[0], 1 / FRAMES_HZ)
    grade = np.clip(5.0 - np.interp(t + START_S, *readings.series("range_m")) / 6000.0 + 0.3 * np.sin(t), 1, 5)
    state = np.full(len(t), CLEAN)
    events = []
    for number, (onset, length, kind, worst, _) in enumerate(BREAKUPS):
        first, last = round(onset * FRAMES_HZ), round((onset + length) * FRAMES_HZ)
        grade[first:last], state[first:last] = worst, STATES.index(kind)
        moment = START_S + onset
        at = {n: float(readings.at(n, moment)[0]) for n in ("range_m", "height_m", "bank_deg", "control_link_pct")}
        why = [{"cause": "banking", "probability": 0.74}, {"cause": "range", "probability": 0.2}]
        events.append(
            Breakup(
                first, last, onset, onset + length, (onset - 0.04, onset + 0.04), kind, worst, (first + last) // 2,
                7.2 if kind == "sparkle" else None, at, why[:: 1 if number else -1] if causes else None,
                (5.9, 9.1) if kind == "sparkle" else None,
            )
        )  # fmt: skip
    zeros = {f.name: np.zeros(len(t)) for f in fields(Features)}
    features = Features(**{**zeros, "time_s": t})
    return Diagnosis(
        Fraction(FRAMES_HZ), features, grade, state, LinkRatio(*np.full((3, len(t)), np.nan)), tuple(events)
    )


def thumbnail(seed: int, size: tuple[int, int] = (320, 240)) -> bytes:
    """A small made-up picture."""
    from PIL import Image

    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 22, (size[1], size[0], 3)) + np.linspace(190, 70, size[1])[:, None, None]
    data = io.BytesIO()
    Image.fromarray(np.clip(noise, 0, 255).astype(np.uint8)).save(data, "JPEG", quality=72)
    return data.getvalue()


def make_story(seconds: float = 1780.0, *, causes: bool = True) -> Story:
    readings = make_readings(seconds)
    diagnosis = make_diagnosis(readings, causes=causes)
    thumbnails = {frame: thumbnail(frame) for frame in shown_frames(diagnosis)}
    clocks = (
        Alignment(
            "camera", "track", "sure", AffineClock(START_S + 3.84, 21e-6), 0.0026, 0.005, 1.6, 1640.0, 820.0, True,
            evidence={"note": "made"},
        ),
        Alignment("ground", "camera", "ambiguous", reasons=("two places fit alike",)),
    )  # fmt: skip
    return Story(
        "Along the <moor> & back",
        readings,
        findings_of(readings),
        diagnosis,
        AffineClock(START_S),
        clocks,
        {"camera": evidence_png(clocks[0])},
        thumbnails=thumbnails,
        files=(("log", "flight.csv"),),
        remarks=("flight.csv: 9 s without rows",),
    )


@pytest.fixture(scope="session")
def story() -> Story:
    return make_story()


@pytest.fixture(scope="session")
def story_of_length():
    return make_story


@pytest.fixture(scope="session")
def positions_story() -> Story:
    """The same flight from a log of positions at 1 Hz, without a recording."""
    whole = make_readings()
    kept = ("east_m", "north_m", "range_m", "bearing_deg", "height_m", "latitude_deg", "longitude_deg")
    readings = Readings(whole.time_s[::5], {name: whole[name][::5] for name in kept}, home=whole.home)
    return Story("Positions alone", readings, findings_of(readings))


@pytest.fixture(scope="session")
def unplaced_story(story: Story) -> Story:
    """The recording's clock is not known."""
    events = tuple(replace(event, at=None, causes=None) for event in story.events)
    diagnosis = replace(story.diagnosis, events=events)
    return replace(story, diagnosis=diagnosis, ground_clock=None, readings=replace(story.readings, breakups=()))


class Browser:
    """A headless Chromium over its own debugging protocol, with real pointer events; notes all it asks of a network."""

    def __init__(self, program: str, folder: Path) -> None:
        self._command = [
            program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run",
            "--hide-scrollbars", f"--user-data-dir={folder / 'profile'}", "--remote-debugging-port=0", "about:blank",
        ]  # fmt: skip
        self._folder = folder

    def look(self, page: Path, width: int, steps, *, height: int = 900, touch: bool = False):
        """Open `page` and run the coroutine function `steps` on a `Tab`; returns what it returns."""
        return asyncio.run(self._look(page, width, height, touch, steps))

    async def _look(self, page, width, height, touch, steps):
        process = subprocess.Popen(self._command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        try:
            tab = await Tab.attach(process)
            try:
                await tab.open(page, width, height, touch)
                return await steps(tab)
            finally:
                await tab.close()
        finally:
            process.kill()
            process.wait()
            process.stderr.close()


class Tab:
    """One tab: `requests` it made, `problems` its console told, and commands of the debugging protocol."""

    @classmethod
    async def attach(cls, process) -> Tab:
        from tornado.httpclient import AsyncHTTPClient
        from tornado.websocket import websocket_connect

        line = next(line for line in process.stderr if "DevTools listening on" in line)
        port = line.split("127.0.0.1:")[1].split("/")[0]
        listed = json.loads((await AsyncHTTPClient().fetch(f"http://127.0.0.1:{port}/json")).body)
        url = next(each["webSocketDebuggerUrl"] for each in listed if each["type"] == "page")
        tab = cls()
        tab.requests, tab.problems, tab._numbers = [], [], itertools.count(1)
        tab._socket = await websocket_connect(url, max_message_size=1 << 28)
        return tab

    async def close(self) -> None:
        self._socket.close()
        while await self._socket.read_message() is not None:
            pass

    async def send(self, method: str, **parameters):
        number = next(self._numbers)
        await self._socket.write_message(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            told = json.loads(await asyncio.wait_for(self._socket.read_message(), 60))
            self._note(told)
            if told.get("id") == number:
                assert "error" not in told, told
                return told["result"]

    def _note(self, told) -> None:
        about = told.get("params", {})
        if told.get("method") == "Network.requestWillBeSent":
            self.requests.append(about["request"]["url"])
        if told.get("method") == "Runtime.exceptionThrown":
            self.problems.append(about["exceptionDetails"]["text"])
        if told.get("method") == "Log.entryAdded" and about["entry"]["level"] in ("warning", "error"):
            self.problems.append(about["entry"]["text"])
        if told.get("method") == "Runtime.consoleAPICalled" and about["type"] in ("warning", "error", "assert"):
            self.problems.append(str([argument.get("value") for argument in about["args"]]))

    async def open(self, page: Path, width: int, height: int, touch: bool) -> None:
        for domain in ("Page", "Network", "Runtime", "Log"):
            await self.send(f"{domain}.enable")
        await self.send(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=touch
        )
        if touch:
            await self.send("Emulation.setTouchEmulationEnabled", enabled=True)
        await self.send("Page.navigate", url=page.as_uri())
        await self.until("document.readyState === 'complete'")
        await self.until("!window.Bokeh || (Bokeh.documents.length > 0 && Bokeh.documents[0].is_idle)")
        await self.settled()

    async def settled(self) -> None:
        """Wait until what has been asked for is on the screen."""
        await self.run(
            "new Promise(done => setTimeout(() => requestAnimationFrame(() => requestAnimationFrame(done)), 200))"
        )

    async def run(self, code: str):
        found = await self.send("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    async def until(self, condition: str, seconds: float = 40.0) -> None:
        for _ in range(int(seconds / 0.1)):
            if await self.run(condition):
                return
            await asyncio.sleep(0.1)
        raise AssertionError(f"never came true: {condition}")

    async def point(self, x: float, y: float, kind: str = "mouseMoved", **more) -> None:
        await self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)

    async def screenshot(self, path: Path | None = None, *, whole: bool = False):
        from PIL import Image

        data = base64.b64decode((await self.send("Page.captureScreenshot", captureBeyondViewport=whole))["data"])
        if path is not None:
            path.write_bytes(data)
        return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))

    async def pdf(self, path: Path) -> Path:
        path.write_bytes(base64.b64decode((await self.send("Page.printToPDF", preferCSSPageSize=True))["data"]))
        return path


@pytest.fixture(scope="session")
def browser(tmp_path_factory) -> Browser:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no chromium on this machine to open the page with")
    return Browser(program, tmp_path_factory.mktemp("browser"))
