"""``python -m sigkit``: the command where its script is not on the path."""

from sigkit.cli import main

raise SystemExit(main())
