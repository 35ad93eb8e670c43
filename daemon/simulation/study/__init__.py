"""The study: the home's own rules, prices and timer over recorded sun, load and hot water, on the twin of its tank.

Readings and variants of the home file come in; energy, money, carbon and comfort of each variant go out. Nothing of it
touches a ledger, a broker or a heater.
"""
