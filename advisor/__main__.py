"""`python -m advisor`."""

from advisor.cli import main

raise SystemExit(main())
