"""Rotation seen in real moving-camera pictures, against OpenCV's homographies of the same pictures.

    python benchmarks/real_footage.py FOLDER …

FOLDER holds numbered grey pictures (PGM or PNG) of one moving camera, for example `ViSP-images/cube` out of Debian's package
visp-images-data (GPL-2; 80 pictures of a camera led over a printed board):

    apt-get download visp-images-data && dpkg-deb -x visp-images-data_*.deb there
    python benchmarks/real_footage.py there/usr/share/visp-images-data/ViSP-images/cube

Nothing of it is kept in the repository. The other estimate: SIFT matches between two pictures, RANSAC homography of the plane,
and of the rotations in it (`cv2.decomposeHomographyMat`) the one whose plane faces the camera most.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.motion.from_picture import motion_from_picture

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

RATE = 25.0  # the sequences do not say; it only scales the figures
FOV_DEG = 45.0  # of the camera, a guess that both estimates use


def pictures(folder: Path) -> list[Grey]:
    """In order of their numbers, 320 wide."""
    found = []
    for path in sorted(p for p in folder.iterdir() if p.suffix in (".pgm", ".png")):
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if picture is not None:
            height = round(picture.shape[0] * 320 / picture.shape[1])
            found.append(cv2.resize(picture, (320, height), interpolation=cv2.INTER_AREA))
    return found


def by_homography(before: Grey, after: Grey, focal_px: float) -> Floats:
    """Rotation vector (roll, pitch, yaw) of the camera in rad; NaN where too few points match."""
    sift = cv2.SIFT_create(600)
    (k1, d1), (k2, d2) = (sift.detectAndCompute(p, None) for p in (before, after))
    if d1 is None or d2 is None:
        return np.full(3, np.nan)
    pairs = [m for m, n in cv2.BFMatcher().knnMatch(d1, d2, k=2) if m.distance < 0.75 * n.distance]
    if len(pairs) < 20:
        return np.full(3, np.nan)
    one = np.array([k1[m.queryIdx].pt for m in pairs])
    two = np.array([k2[m.trainIdx].pt for m in pairs])
    found, _ = cv2.findHomography(one, two, cv2.RANSAC, 1.0)
    if found is None:
        return np.full(3, np.nan)
    height, width = before.shape
    lens = np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1]])
    _, turns, _, normals = cv2.decomposeHomographyMat(found, lens)
    turn = turns[int(np.argmax([abs(float(normal.ravel()[2])) for normal in normals]))]
    x, y, z = cv2.Rodrigues(turn)[0].ravel()  # of the points: the camera turns the other way
    return -np.array([z, x, y])  # OpenCV's axes are right, down, forward


def compare(film: list[Grey]) -> None:
    """Print how far apart the two estimates are, axis by axis."""
    focal = 160 / np.tan(np.radians(FOV_DEG) / 2)
    seen = motion_from_picture(((k / RATE, p) for k, p in enumerate(film)), field_of_view_deg=FOV_DEG)
    other = np.array([by_homography(film[k], film[k + 1], focal) for k in range(len(film) - 1)]) * RATE
    mine, theirs = np.degrees(seen.rate_radps), np.degrees(other[np.rint(seen.time_s * RATE - 0.5).astype(int)])
    known = np.isfinite(mine).all(axis=1) & np.isfinite(theirs).all(axis=1)
    print(f"{len(film)} pictures, both tell {known.sum()} intervals")
    for k, name in enumerate(("roll", "pitch", "yaw")):
        apart = np.abs(mine - theirs)[known, k]
        alike = np.corrcoef(mine[known, k], theirs[known, k])[0, 1]
        size = np.median(np.abs(theirs[known, k]))
        print(
            f"  {name:6}{size:5.1f} °/s, apart {np.median(apart):.2f} (95 %: {np.quantile(apart, 0.95):.2f}), r {alike:.3f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="+")
    for folder in parser.parse_args().folder:
        print(folder.name, end=": ")
        compare(pictures(folder))


if __name__ == "__main__":
    main()
