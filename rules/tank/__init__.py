"""The hot-water tank: its physics, its standing loss, and what its sensors show.

Everything here is pure: temperatures, watts and seconds go in, temperatures and watt-hours come out."""
