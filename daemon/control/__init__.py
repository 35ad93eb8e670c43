"""From readings to orders: what is known now, the level that counts, and the engine that joins rules and books.

Readings come in; a decision and entries go out. The same code serves live, demo and replay: no clock, link or file is
opened here.
"""
