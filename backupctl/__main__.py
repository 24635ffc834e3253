"""`python -m backupctl`."""

from backupctl.start import main

main()
