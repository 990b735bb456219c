"""`python -m holeinspect` is the command line."""

from holeinspect.cli import main

main()
