"""The ``callresp`` command's entry, and that of ``python -m callresp``.

Ctrl-C while the command line itself is being imported ends as it does later on.
"""

import sys

try:
    from callresp.cli import main
except KeyboardInterrupt:
    sys.stderr.write("callresp: stopped\n")
    sys.exit(130)

if __name__ == "__main__":
    main()
