"""``python -m toeline``."""

from toeline.cli import main

main()
