"""The wires. A port owns its wire and its exchange schedule, stamps what comes and hands it on."""
