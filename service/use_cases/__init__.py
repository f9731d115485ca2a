"""One function for each thing a caller can ask."""
