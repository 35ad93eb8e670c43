"""A home file made ready to run: rules, books, price feeds, and where each link leads.

A checked home comes in; the parts that live, demo and replay start from go out. Nothing is started here.
"""
