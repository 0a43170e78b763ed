"""The daemon: starts the interlock monitor, the engine and the API, watches over them, ends them in order."""
