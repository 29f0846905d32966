"""Running under a service manager: readiness, the watchdog, logs that people and machines can read."""
