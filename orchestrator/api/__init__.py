"""The daemon's HTTP API on a Unix socket, in a process of its own."""
