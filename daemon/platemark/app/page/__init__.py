"""The status page: a process of its own that reads the record and writes into `decisions/`."""
