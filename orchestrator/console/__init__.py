"""The technician's console: a process of its own that talks to nobody but the API, and aborts by itself."""
