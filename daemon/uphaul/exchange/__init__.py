"""Drives from and to files of other programs: CAN captures, CSV, Parquet, MDF4. For commands, never for the daemon."""
