"""`python -m tui` is the command `zerofirst`."""

from tui.cli.main import main

raise SystemExit(main())
