"""Readers of devices that speak no MQTT. Each makes a JSON document of what a device says; a signal's pointer picks its
number out of it, and all else goes as for a message: scale, bounds, words, the tally of what was refused.

Their libraries come with extras and are imported by the reader that needs them, when it is first read.
"""
