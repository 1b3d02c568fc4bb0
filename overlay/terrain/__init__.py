"""Heights of the ground from files that the user gives: SRTM tiles and GeoTIFF."""
