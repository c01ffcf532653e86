"""``python -m robotcore``, where the command is not installed."""

import sys

from robotcore.cli.main import main

sys.exit(main())
