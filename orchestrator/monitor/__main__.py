"""`python -m orchestrator.monitor`."""

from orchestrator.monitor.process import main

raise SystemExit(main())
