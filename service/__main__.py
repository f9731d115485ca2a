"""`python -m service` is `rts-service`."""

import sys

from service.cli import main

sys.exit(main())
