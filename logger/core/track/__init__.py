"""One channel's readings -> mass delivered, rate, container changes."""
