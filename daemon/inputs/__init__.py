"""From what the outside sends to numbers: payloads, JSON pointers, files of readings, price feeds.

Bytes come in; values with their time go out, or a reason for refusing them. Nothing is decided here.
"""
