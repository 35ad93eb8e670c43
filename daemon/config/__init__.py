"""The home file: its shape, its reading, its secrets, its rules changed in place. The one place that knows pydantic."""
