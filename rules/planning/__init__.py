"""Tonight's plan: how much heat to put into the tank in each half hour, over scenarios of the home's own past. Pure."""
