"""python -m promtrack"""

import sys

from promtrack.cli import main

sys.exit(main())
