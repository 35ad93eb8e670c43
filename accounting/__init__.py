"""What each diverted kWh was worth: metering, prices, carbon, the ledger and what is asked of it."""

__project__ = "brimful"
