"""Pure tables and values of the house: states, stop reasons, outcomes, verdicts. Standard library only."""
