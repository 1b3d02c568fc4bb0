"""Heights read back from files that other code wrote, against it and by hand; damage and malice refused in a line."""

import zipfile

import numpy as np
import pyproj
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from overlay.errors import TerrainError
from overlay.terrain.read import read_terrain


def slope(latitude, longitude):
    return 500.0 + 400.0 * (latitude - 47.5) + 200.0 * (longitude + 33.5)


def test_a_tile_is_read_where_its_name_says(hgt):
    surface = read_terrain([hgt("N47W034", slope)])
    rng = np.random.default_rng(0)
    latitude, longitude = rng.uniform(47, 48, 200), rng.uniform(-34, -33, 200)
    assert surface.heights_m(latitude, longitude) == pytest.approx(slope(latitude, longitude), abs=0.6)  # whole metres
    assert np.isnan(surface.heights_m(np.array([46.9]), np.array([-33.5])))


@pytest.mark.parametrize(
    ("name", "latitude", "longitude"),
    [("S01E000", -0.25, 0.75), ("N00W001", 0.25, -0.25), ("S34W071", -33.25, -70.75), ("n00e179", 0.25, 179.5)],
)
def test_hemispheres(hgt, name, latitude, longitude):
    surface = read_terrain([hgt(name, lambda lat, lon: 4000 + 100 * lat + lon)])
    found = surface.heights_m(np.array([latitude]), np.array([longitude]))
    assert found == pytest.approx([4000 + 100 * latitude + longitude], abs=0.6)


def test_two_tiles_meet_without_a_seam(hgt):
    surface = read_terrain([hgt("N47W034", slope), hgt("N47W033", slope)])
    longitude = np.linspace(-33.02, -32.98, 101)
    assert surface.heights_m(np.full(101, 47.5), longitude) == pytest.approx(slope(47.5, longitude), abs=0.6)


def test_a_zipped_tile(hgt, tmp_path):
    plain = hgt("N47W034", slope)
    with zipfile.ZipFile(tmp_path / "tile.hgt.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(plain, "folder/N47W034.hgt")
    at = np.array([47.25]), np.array([-33.75])
    assert read_terrain([tmp_path / "tile.hgt.zip"]).heights_m(*at) == read_terrain([plain]).heights_m(*at)


def test_voids_are_not_heights(hgt):
    path = hgt("N47W034", lambda lat, lon: np.where(lat > 47.5, -32768, 100))
    assert np.isnan(read_terrain([path]).heights_m(np.array([47.7]), np.array([-33.5])))
    assert read_terrain([path]).heights_m(np.array([47.3]), np.array([-33.5])) == 100.0


@pytest.mark.parametrize("kind", ["<i2", ">i2", "<f4", ">f4", "<f8", "<u2"])
@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}, {"tile": (64, 64), "compression": "zlib"}])
def test_a_real_surface_in_every_kind_of_geotiff(dem, geotiff, tmp_path, kind, options):
    heights = dem.heights.astype(kind)
    path = geotiff(tmp_path / "dem.tif", heights, dem.west, dem.north, dem.step, byteorder=kind[0], **options)
    surface = read_terrain([path])
    rng = np.random.default_rng(1)
    rows, columns = rng.integers(0, 344, 100), rng.integers(0, 403, 100)
    assert surface.heights_m(*dem.place(rows, columns)) == pytest.approx(dem.heights[rows, columns], abs=1e-6)
    middle = surface.heights_m(*dem.place(100.5, 200.5))
    assert middle == pytest.approx(dem.heights[100:102, 200:202].mean(), abs=1e-6)


def test_heights_at_points_lie_half_a_cell_from_heights_of_areas(dem, geotiff, tmp_path):
    keys = {1024: 2, 1025: 2, 2048: 4326}
    path = geotiff(tmp_path / "dem.tif", dem.heights, dem.west, dem.north, dem.step, keys)
    found = read_terrain([path]).heights_m(np.array([dem.north - 3 * dem.step]), np.array([dem.west + 5 * dem.step]))
    assert found == pytest.approx([dem.heights[3, 5]], abs=1e-6)


def test_a_grid_in_a_map_projection(geotiff, tmp_path):
    """UTM zone 25 N (EPSG:32625), heights in international feet (EPSG:9002); places by pyproj."""
    to_utm = pyproj.Transformer.from_crs(4326, 32625, always_xy=True).transform
    x, y = to_utm(-33.9, 47.3)
    columns, rows = np.meshgrid(np.arange(300), np.arange(300))
    heights = (100.0 + columns * 0.5 - rows * 0.25).astype("f4")
    heights[0, 0] = -9999
    keys = {1024: 1, 1025: 1, 3072: 32625, 4099: 9002}
    path = geotiff(tmp_path / "dem.tif", heights, x - 3000.0, y + 3000.0, 20.0, keys, nodata=-9999)
    found = read_terrain([path]).heights_m(np.array([47.3, 47.31]), np.array([-33.9, -33.905]))
    x2, y2 = to_utm(-33.905, 47.31)
    truth = [100 + 149.5 * 0.25, 100 + ((x2 - x + 3000) / 20 - 0.5) * 0.5 - ((y + 3000 - y2) / 20 - 0.5) * 0.25]
    assert found == pytest.approx(np.array(truth) * 0.3048, abs=1e-4)
    assert np.isnan(read_terrain([path]).heights_m(*_corner(x, y)))


def _corner(x, y):
    lon, lat = pyproj.Transformer.from_crs(32625, 4326, always_xy=True).transform(x - 2990.0, y + 2990.0)
    return np.array([lat]), np.array([lon])


def test_a_big_tiff(dem, geotiff, tmp_path):
    path = geotiff(tmp_path / "dem.tif", dem.heights, dem.west, dem.north, dem.step, bigtiff=True)
    assert read_terrain([path]).heights_m(*dem.place([7], [9])) == pytest.approx([dem.heights[7, 9]])


def test_the_first_file_is_believed_and_the_next_fills_its_holes(hgt, dem, geotiff, tmp_path):
    fine = np.full((50, 50), 333, "i2")
    fine[:25] = -32768
    path = geotiff(tmp_path / "fine.tif", fine, -33.6, 47.6, 0.001, nodata=-32768)
    surface = read_terrain([path, hgt("N47W034", slope)])
    found = surface.heights_m(np.array([47.56, 47.59, 47.2]), np.array([-33.58, -33.58, -33.58]))
    assert found[0] == 333.0
    assert found[1:] == pytest.approx([slope(47.59, -33.58), slope(47.2, -33.58)], abs=0.6)


def refused(path, match):
    with pytest.raises(TerrainError, match=match) as caught:
        read_terrain([path])
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_what_cannot_be_used_is_said(hgt, geotiff, tmp_path):
    tile = hgt("N47W034", slope)
    (tmp_path / "hill.hgt").write_bytes(tile.read_bytes())
    refused(tmp_path / "hill.hgt", "name it after its south-west corner")
    (tmp_path / "N48W034.hgt").write_bytes(tile.read_bytes()[:-1000])
    refused(tmp_path / "N48W034.hgt", "fetch it again")
    refused(tmp_path / "none.hgt", "No such file")
    (tmp_path / "log.csv").write_text("a,b\n")
    refused(tmp_path / "log.csv", "neither an SRTM tile nor a TIFF")
    (tmp_path / "bad.zip").write_bytes(b"PK\x03\x04 not really")
    refused(tmp_path / "bad.zip", "not a whole ZIP")
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("N47W034.hgt", b"\0" * 200_000_000)
    refused(tmp_path / "bomb.zip", "where a tile has")
    square = np.zeros((20, 20), "i2")
    refused(geotiff(tmp_path / "a.tif", np.zeros((20, 20, 3), "u1"), 0, 0, 1e-3, planarconfig="contig"), "3 bands")
    refused(geotiff(tmp_path / "b.tif", square, 0, 0, 1.0, {1024: 1, 3072: 32767}), "do not name by number")
    refused(geotiff(tmp_path / "c.tif", square, 0, 0, 1.0, {1024: 1, 3072: 999}), "unknown map projection")
    refused(geotiff(tmp_path / "d.tif", square, 0, 0, 0.0), "place it nowhere")
    refused(geotiff(tmp_path / "e.tif", square, 0, 0, 1e-3, {1024: 2, 2048: 4326, 4099: 9999}), "convert them")
    import tifffile

    turned = (0.7, -0.7, 0.0, 3.0, 0.7, 0.7, 0.0, 46.0, *(0.0,) * 7, 1.0)
    keys = (1, 1, 0, 3, 1024, 0, 1, 2, 1025, 0, 1, 1, 2048, 0, 1, 4326)
    tags = [(34264, "d", 16, turned, True), (34735, "H", len(keys), keys, True)]
    tifffile.imwrite(tmp_path / "g.tif", square, extratags=tags, photometric="minisblack")
    refused(tmp_path / "g.tif", "turned against north")
    tifffile.imwrite(tmp_path / "f.tif", square)
    refused(tmp_path / "f.tif", "do not place it")


def test_a_geotiff_cut_anywhere_is_refused_or_whole(dem, geotiff, tmp_path):
    whole = geotiff(tmp_path / "dem.tif", dem.heights[:40, :40], dem.west, dem.north, dem.step).read_bytes()
    cut = tmp_path / "cut.tif"
    for length in (3, 8, 12, 100, 200, 300, len(whole) // 2, len(whole) - 1):
        cut.write_bytes(whole[:length])
        with pytest.raises(TerrainError):
            read_terrain([cut])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_anywhere_ends_in_a_line_or_in_heights(data, dem, geotiff, tmp_path):
    path = geotiff(tmp_path / "dem.tif", dem.heights[:16, :16], dem.west, dem.north, dem.step, compression="zlib")
    broken = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        broken[data.draw(st.integers(0, len(broken) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(broken))
    try:
        surface = read_terrain([path])
    except TerrainError as refusal:
        assert "\n" not in str(refusal)
        return
    found = surface.heights_m(*dem.place(np.arange(16), np.arange(16)))
    known = found[np.isfinite(found)]
    assert np.all((known >= -500) & (known <= 9000))
