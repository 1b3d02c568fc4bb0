"""A real surface: the fault near Jacksboro in matplotlib's sample data, 3″ heights of the SRTM (public domain)."""

import matplotlib.cbook
import numpy as np
import pytest


class Dem:
    """Heights north to south, and where their outer cells' edges lie."""

    def __init__(self):
        data = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")
        self.heights = data["elevation"]
        self.step = float(data["dx"])
        self.west, self.north = float(data["xmin"]), float(max(data["ymin"], data["ymax"]))

    def place(self, row, column):
        """Latitude and longitude of a cell's middle."""
        return self.north - (np.asarray(row) + 0.5) * self.step, self.west + (np.asarray(column) + 0.5) * self.step


@pytest.fixture(scope="session")
def dem():
    return Dem()


def geotiff(path, heights, x, y, step, keys=None, *, nodata=None, step_y=None, **options):
    """Write with tifffile, which shares no code with the reader; (x, y) is the north-west corner of the first cell."""
    import tifffile

    keys = {1024: 2, 1025: 1, 2048: 4326} if keys is None else keys
    directory = [1, 1, 0, len(keys), *(v for key, value in sorted(keys.items()) for v in (key, 0, 1, value))]
    tags = [
        (33550, "d", 3, (step, step_y or step, 0.0), True),
        (33922, "d", 6, (0.0, 0.0, 0.0, x, y, 0.0), True),
        (34735, "H", len(directory), tuple(directory), True),
    ]
    if nodata is not None:
        tags.append((42113, "s", 0, str(nodata), True))
    tifffile.imwrite(path, heights, extratags=tags, photometric="minisblack", **options)
    return path


@pytest.fixture(name="geotiff", scope="session")
def geotiff_writer():
    return geotiff


@pytest.fixture
def hgt(tmp_path):
    """Write a 3″ tile: `hgt("N47W034", lambda latitude, longitude: heights)`."""

    def write(name, height):
        latitude, longitude = int(name[1:3]), int(name[4:7])
        south = latitude if name[0] in "Nn" else -latitude
        west = longitude if name[3] in "Ee" else -longitude
        grid = np.meshgrid(np.linspace(south + 1, south, 1201), np.linspace(west, west + 1, 1201), indexing="ij")
        path = tmp_path / f"{name}.hgt"
        path.write_bytes(np.round(height(*grid)).astype(">i2").tobytes())
        return path

    return write
