"""The shop's own numbers, from its signed cases."""
