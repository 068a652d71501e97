"""`python -m motewatch_simulator` is `motewatch-simulator`."""

from motewatch_simulator.cli import main

if __name__ == "__main__":
    main()
