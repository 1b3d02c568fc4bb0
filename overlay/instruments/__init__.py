"""One drawing per file: readings in, a patch of premultiplied RGBA out; opens no file but fonts."""
