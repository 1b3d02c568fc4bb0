"""The simulated radio link against FM theory, longer than the tests can afford.

    python benchmarks/link_physics.py [--sheet FILE.png]

Prints noise against the FM equation, clicks against Rice's formula, what the receiver makes of each carrier-to-noise
ratio, and what a frame costs. `--sheet` draws a landscape as received at each ratio.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import time

import cv2
import numpy as np
from scipy.signal import welch
from scipy.special import erfc

from overlay_samples.link import CAREFUL, Link, Modulation, SyncCircuit
from overlay_samples.link.composite import Encoder
from overlay_samples.link.fm import RATE_MHZ, FMLink, IF_response
from overlay_samples.link.standards import NTSC_525, PAL_625, LineStandard

IF_MHZ, SWING_MHZ, LINE_US = 18.0, 6.0, 64.0
LEVELS_DB = (25, 14, 11, 9, 8, 7, 6, 5, 4, 3, 0)


def landscape(rows: int) -> np.ndarray:
    """Sky, cloud, a banked horizon and textured ground."""
    rng = np.random.default_rng(3)

    def texture(first: int, last: int, fall: float) -> np.ndarray:
        layers = (
            cv2.resize(rng.random((2**k, 2**k), np.float32), (720, rows), interpolation=cv2.INTER_CUBIC) / fall**k
            for k in range(first, last)
        )
        total = sum(layers)
        return (total - total.min()) / np.ptp(total)

    cloud = np.clip(texture(2, 6, 2.0) * 2 - 1, 0, 1)[..., None]
    picture = (1 - cloud) * np.array([225.0, 180.0, 130.0]) + cloud * 250.0
    ground = texture(2, 9, 1.4)[..., None] * np.array([70.0, 120.0, 95.0]) + np.array([35.0, 55.0, 45.0])
    below = np.arange(rows)[:, None] > rows * 0.36 + 0.2 * np.arange(720)
    picture[below] = ground[below]
    drawn = np.clip(picture, 0, 255).astype(np.uint8)
    cv2.putText(drawn, "12:07", (560, 70), cv2.FONT_HERSHEY_SIMPLEX, 0.9, (255, 255, 255), 2)
    return drawn


def gyration_MHz() -> float:
    """Radius of gyration of the IF filter's power response: Rice's r."""
    f = np.linspace(-RATE_MHZ / 2, RATE_MHZ / 2, 20001)
    power = IF_response(f, IF_MHZ) ** 2
    return float(np.sqrt(np.sum(f * f * power) / np.sum(power)))


def rice_per_us(rho: float, deviation_MHz: np.ndarray) -> float:
    """Clicks of both signs a microsecond, the mean over a distribution of deviations (Rice 1963)."""
    r, root = gyration_MHz(), np.sqrt(rho)
    a = np.abs(deviation_MHz) / r
    one = r / 2 * (np.sqrt(1 + a * a) * erfc(root * np.sqrt(1 + a * a)) - a * np.exp(-rho) * erfc(a * root))
    return float(np.mean(2 * one + r * a * np.exp(-rho)))


def clicks_per_line(phase: np.ndarray, level_dB: float, frames: int, seed: int) -> float:
    """Slips of the received phase against the phase sent."""
    link = FMLink(PAL_625, Modulation(), seed=seed)
    sent = np.diff(np.unwrap(phase.astype(float)), prepend=float(phase[0]))
    slips = 0.0
    for frame in range(frames):
        steps = link.discriminate(*link.channel(phase, np.full(1, level_dB), frame)).astype(float)
        apart = np.cumsum(steps - sent)[10:]
        apart -= np.angle(np.mean(np.exp(1j * apart)))
        slips += np.abs(np.diff(np.rint(apart / (2 * np.pi)))).sum()
    return slips / (frames * PAL_625.lines)


def noise_table() -> None:
    print("Output noise up to 4 MHz under a resting carrier, and luminance S/N (0.7 V / rms), dB")
    print(f"{'C/N':>5} {'measured':>9} {'FM eq.':>8} {'+ clicks':>9} {'error':>6}")
    steady = np.full(PAL_625.samples_per_frame, 0.2, np.float32)
    for level in (30, 20, 16, 14, 12, 10, 9, 8, 7, 6, 5):
        link = FMLink(PAL_625, Modulation(), seed=11)
        link.begin(steady)
        noise = np.concatenate([link(steady, np.full(1, float(level)), k)[1000:] for k in range(10)])
        f, density = welch(noise.astype(float), 13.5, nperseg=1024)
        power = np.sum(density[f <= 4.0]) * (f[1] - f[0])
        rho = 10 ** (level / 10)
        smooth = 4.0**3 / (3 * rho * IF_MHZ) / SWING_MHZ**2
        clicks = 2 * 4.0 * rice_per_us(rho, np.zeros(1)) / SWING_MHZ**2
        found, plain, both = (10 * np.log10(0.49 / p) for p in (power, smooth, smooth + clicks))
        print(f"{level:5d} {found:9.2f} {plain:8.2f} {both:9.2f} {found - both:6.2f}")


def click_table() -> None:
    picture = Encoder(PAL_625).encode(landscape(576), 0)
    link = FMLink(PAL_625, Modulation(), seed=1)
    modulated = link.transmit(picture, link.modulation.blanking_MHz)
    resting = np.zeros_like(modulated)
    deviation = picture * SWING_MHZ + link.modulation.blanking_MHz
    print("\nClicks per 64 µs line, and Rice's formula (averaged over the picture's own deviations)")
    print(f"{'C/N':>5} {'resting':>9} {'Rice':>8} {'ratio':>6} {'picture':>9} {'Rice':>8} {'ratio':>6}")
    for level, frames in ((10, 24), (9, 16), (8, 8), (7, 6), (6, 4), (5, 4)):
        rho = 10 ** (level / 10)
        row = []
        for phase, spread in ((resting, np.zeros(1)), (modulated, deviation)):
            found = np.mean([clicks_per_line(phase, float(level), frames, seed) for seed in (1, 2, 3)])
            row += [found, LINE_US * rice_per_us(rho, spread)]
        print(
            f"{level:5d} {row[0]:9.4f} {row[1]:8.4f} {row[0] / row[1]:6.3f}"
            f" {row[2]:9.4f} {row[3]:8.4f} {row[2] / row[3]:6.3f}"
        )


def receiver_table(standard: LineStandard) -> None:
    print(f"\nWhat the receiver makes of it, {standard.name} lines: 20 frames each")
    print("circuit   emphasis   C/N  sync share  fields locked  colour  jitter px rms   PSNR dB")
    picture = landscape(standard.rows)
    for name, circuit, emphasis in (
        ("cheap", SyncCircuit(), False),
        ("cheap", SyncCircuit(), True),
        ("careful", CAREFUL, False),
    ):
        for level in LEVELS_DB:
            modulation = Modulation(emphasis=emphasis)
            link = Link(standard, seed=5, circuit=circuit, modulation=modulation, linear_from_dB=np.inf)
            out = [link(picture, k, np.full(4, float(level))) for k in range(20)]
            n = standard.samples_per_line
            shift = np.concatenate([(r.lines.start[r.rows >= 0] - 27.4 + n / 2) % n - n / 2 for _, r in out[4:]])
            error = np.mean(np.square(out[-1][0][8:-8, 20:-20].astype(float) - picture[8:-8, 20:-20]))
            share, locked, colour = (
                np.mean([getattr(r, key) for _, r in out[4:]]) for key in ("sync_share", "field_locked", "colour")
            )
            print(
                f"{name:8} {emphasis!s:>9} {level:6d} {share:11.2f} {locked:14.2f} {colour:7.2f}"
                f" {np.std(shift):14.2f} {10 * np.log10(255**2 / error):9.1f}"
            )


def cost_table(standard: LineStandard) -> None:
    print(f"\nCost of a frame, {standard.name} lines, ms of one core")
    picture = landscape(standard.rows)
    for level in (30, 13, 12, 8, 5, 3, 0, -10):
        link = Link(standard, seed=5)
        for k in range(6):
            link(picture, k, np.full(32, float(level)))
        start = time.process_time()
        for k in range(6, 36):
            link(picture, k, np.full(32, float(level)))
        print(f"{level:5d} dB {(time.process_time() - start) / 30 * 1e3:7.1f}")


def sheet(path: str) -> None:
    picture = landscape(576)
    tiles = []
    for level in (*LEVELS_DB, -10):
        link = Link(PAL_625, seed=5)
        for k in range(16):
            frame, _ = link(picture, k, np.full(32, float(level)))
        tile = frame.copy()
        cv2.putText(tile, f"{level} dB", (300, 40), cv2.FONT_HERSHEY_SIMPLEX, 1.2, (0, 255, 255), 3)
        tiles.append(tile)
    rows = [np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)]
    cv2.imwrite(path, cv2.resize(np.vstack(rows), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sheet", metavar="FILE.png", help="draw a landscape as received at each C/N")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    noise_table()
    click_table()
    for standard in (PAL_625, NTSC_525):
        receiver_table(standard)
        cost_table(standard)
    if arguments.sheet:
        sheet(arguments.sheet)


if __name__ == "__main__":
    main()
