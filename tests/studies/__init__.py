"""Studies: long seeded computations that print a table; slices of them run with the ordinary tests."""
