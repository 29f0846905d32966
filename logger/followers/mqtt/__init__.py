"""The bay at an MQTT broker: what it looks like now, retained, and what happened, as messages.

`topics` names the topics, `messages` the payloads (`config/mqtt.schema.json` is made of them), `states`
makes them of a snapshot, `shown` keeps what the broker has against what it should have, `events` takes what
happened from the journal, `post` knows what is on its way, `follower` is the thread that does it all.
"""
