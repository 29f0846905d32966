"""What takes the record out of the bay: each follower reads the journal behind a cursor of its own.

`progress` keeps what is delivered and what is still to do, `worker` is the thread, `contract` what a follower
needs of the daemon and what is asked of it. `store` sends to a time-series store, `mqtt` to a broker.
"""
