"""The endurance bench: a gantry that presses switches, their contacts, loads and a recorder of every cycle."""
