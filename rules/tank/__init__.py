"""The physics of a hot-water tank: heat, standing loss, charge from temperatures, and how fast a level can move.

Temperatures, litres and seconds come in; heat and levels go out. No order is decided here.
"""
