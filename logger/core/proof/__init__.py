"""The set-up check of a bay: steps as data, a pure state machine over them, and their verdicts."""
