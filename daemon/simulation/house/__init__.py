"""An invented house: sky, load, battery, taps, tank and diverter.

A number that fixes its chance comes in; what its meters show goes out. The daemon never sees inside.
"""
