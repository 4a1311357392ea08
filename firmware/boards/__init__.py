"""Boards: one file each, the same small contract."""
