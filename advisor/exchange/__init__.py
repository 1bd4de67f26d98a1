"""Bringing a list of remakes in, writing cases out."""
