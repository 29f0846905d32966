"""To a time-series store that speaks the InfluxDB v2 write API.

`points` says what an entry becomes there, with `places` (which channel is what), `times` (station time to
wall time) and `findings`; `series` how many series that makes. All of these are pure.
"""
