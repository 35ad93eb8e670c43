"""An invented house that speaks and obeys only over MQTT: what `brimful demo` runs on."""
