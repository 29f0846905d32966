"""What the larger commands do; `logger.cli` holds their options and their help."""
