"""Everything that speaks MQTT: readings in, orders out, and the daemon's own state."""
