"""Whether this machine's time service vouches for its clock, as the kernel keeps note of it (Linux).

Source: adjtimex(2), the Linux manual: STA_UNSYNC is set until a time service has set the clock right.
"""

import ctypes

_STA_UNSYNC = 0x0040
_TIME_ERROR = 5
_ALIKE_S = 5.0


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("seconds", ctypes.c_long),
        ("fraction", ctypes.c_long),
        ("rest", ctypes.c_char * 256),
    )


def is_confirmed(utc_s: float) -> bool:
    """Whether the kernel's clock shows about this UTC second and a time service has set it right; False if unknown."""
    kept = _Timex()  # no mode: it is only read
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(kept))
    except (OSError, AttributeError):
        return False
    if not 0 <= state < _TIME_ERROR or kept.status & _STA_UNSYNC:
        return False
    return abs(float(kept.seconds) - utc_s) <= _ALIKE_S
