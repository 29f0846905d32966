"""The journal: the truth. SQLite through one library, written by one connection."""
