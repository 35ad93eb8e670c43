"""Was it worth it? Before and after the hardware, over its life, and what to do now.

Needs numpy and scipy (the extra `verdict`); the daemon never imports this package.
"""
