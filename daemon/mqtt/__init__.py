"""Everything that speaks MQTT: what is heard, what is told, and what is said about oneself."""
