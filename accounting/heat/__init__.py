"""The heat in the tank as an inventory: its level, what came, what was drawn or lost, and at what average cost.

Wh of the heaters, levels and temperatures come in; tank entries go out. Prices come with the entries; none is looked
up here.
"""
