"""Was it worth it? Before and after the hardware, over its life, by a fair comparison, and what to do now.

Needs numpy and scipy (the extra `verdict`); the daemon imports nothing of this package but `history`, which needs
neither.
"""
