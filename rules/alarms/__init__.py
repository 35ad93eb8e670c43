"""Conditions a person should know of, each named and told once while it lasts. They change no order.

`watch` finds those that stand, from what decide saw; `news` says what of it is worth an event. `silences`, `level`,
`sign` and `still` (both of the surplus), `hygiene` each look at one thing, `watching` at the heaters.

What a frozen or jumping level does to the orders is decided elsewhere (rules/tank/plausibility.py), the alarm only
says it. A surplus that is frozen or of the wrong sign costs money and endangers nobody, and withholding would end the
switchings that show when it is mended: so there the alarm is all.
"""

from rules.alarms.alarm import Alarm
from rules.alarms.news import News, Told, news
from rules.alarms.watching import Watched, watch

__all__ = ["Alarm", "News", "Told", "Watched", "news", "watch"]
