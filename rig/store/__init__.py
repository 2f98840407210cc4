"""The record of parts and runs: one database, a few small files beside it, their backups."""
