"""Conditions a person should know of, each with a name and announced once while it lasts. They change no order.

`watch` finds the conditions that stand, from what decide saw; `news` picks those that are worth an event. `silences`,
`level`, `sign` and `still` (both about the surplus) and `hygiene` each look at one thing, `watching` at the heaters.

Another module decides what a frozen or jumping level does to the orders (rules/tank/plausibility.py); the alarm only
reports it. A surplus that is frozen or of the wrong sign costs money but endangers nobody, and withholding would stop
the switchings that show when it is mended. So for the surplus there is an alarm and nothing more.
"""

from rules.alarms.alarm import Alarm
from rules.alarms.news import Announced, News, news
from rules.alarms.watching import Watched, watch

__all__ = ["Alarm", "Announced", "News", "Watched", "news", "watch"]
