"""The shell around rules and books: configuration, MQTT, the loop, the command line."""

__project__ = "brimful"
