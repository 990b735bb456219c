"""`python -m holeinspect` is the command line."""

from holeinspect.cli import main

if __name__ == "__main__":  # worker processes import this module under another name
    main()
