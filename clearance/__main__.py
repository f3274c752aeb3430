"""``python -m clearance`` is the command line."""

from clearance.cli import main

if __name__ == "__main__":
    main()
