"""The impulse bench: an impulse generator with its store, a specimen under cheesecloth, two digitisers, a meter."""
