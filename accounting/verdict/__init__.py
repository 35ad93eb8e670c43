"""Was it worth it? Before and after the hardware, over its life, by a fair comparison, and what to do now.

This package needs numpy and scipy (the extra `verdict`). The daemon imports only `history` from it, which needs
neither.
"""
