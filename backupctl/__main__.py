"""`python -m backupctl`."""

from backupctl.cli.main import main

main()
