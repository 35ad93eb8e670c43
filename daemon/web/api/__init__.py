"""The JSON interface: its routes, the shape of each answer, the OpenAPI document, and the command line's client."""
