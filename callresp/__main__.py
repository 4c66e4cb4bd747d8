"""Lets ``python -m callresp`` do what the ``callresp`` command does."""

from callresp.cli import main

if __name__ == "__main__":
    main()
