"""The simulated bay: physics and instruments on real wires, for the demo, tests and benchmarks."""
