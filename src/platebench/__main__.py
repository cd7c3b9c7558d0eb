"""Run the command line: ``python -m platebench``."""

from platebench.cli import main

main()
