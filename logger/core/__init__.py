"""The pure core: no clock, no file, no thread, no log. Time arrives as data."""
