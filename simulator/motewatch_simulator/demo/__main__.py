"""`python -m motewatch_simulator.demo`, which `deploy/demo` calls."""

import sys

from motewatch_simulator.demo.program import main

if __name__ == "__main__":
    sys.exit(main())
