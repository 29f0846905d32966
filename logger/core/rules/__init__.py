"""Live recovery and every alarm, one file a rule; the alarm states in a table."""
