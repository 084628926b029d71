"""`python -m edge` is the command `tailgrain`, for where it is not on the path."""

from edge.commands.cli import main

main()
