"""What brimful is to others: a Homie device, alerts that reach a person; and readers of devices that speak no MQTT.

The loop's answers come in and go out to neighbours; wishes and readings come in from them and go into the loop's queue
like all others. Nothing here decides, and nothing here is waited for: each neighbour has a thread of its own.
"""
