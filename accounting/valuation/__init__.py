"""What the Wh of an interval were worth: the formula, the entries made by it, and the shares of what they displace.

Wh by source and the prices of that time come in; entries go out. Nothing is stored here.
"""
