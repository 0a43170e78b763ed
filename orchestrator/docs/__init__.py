"""The documentation, Markdown files that ship with the package."""
