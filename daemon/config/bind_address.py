"""What may stand as the address that the page listens at. Imports nothing heavy: short commands read it too."""

from ipaddress import ip_address

BIND_ADDRESS = '"localhost" or an IP address of this machine'
"""What is expected, in words."""


def is_bind_address(text: str) -> bool:
    """Whether it is one."""
    try:
        return text == "localhost" or bool(ip_address(text))
    except ValueError:
        return False
