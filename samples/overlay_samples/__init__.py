"""A demonstration flight of our own making: aircraft, land, weather, logs, cameras and radio link, generated."""
