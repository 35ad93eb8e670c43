"""What a kWh costs, or emits, at an instant: tariffs by clock, in blocks and by series, carbon factors, displaced
sources.

An instant comes in; an exact fraction goes out, or None where no price is known. No energy is counted here.
"""
