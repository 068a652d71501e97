"""`python -m motewatch` is `motewatch`."""

from motewatch.cli import main

if __name__ == "__main__":
    main()
