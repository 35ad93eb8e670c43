"""What is known of a hot-water tank: its physics, its standing loss, its charge from temperatures, and what a level
can do.

Temperatures, litres and seconds come in; heat and levels go out. No order is decided here.
"""
