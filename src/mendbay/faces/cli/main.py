"""The `mendbay` command."""


def main() -> None:
    """Placeholder"""
