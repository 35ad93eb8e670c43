"""Getting to know a broker before there is a home file: topics heard, and the signals they may be.

Messages come in; suggestions go out. No heater is ordered anything from here.
"""
