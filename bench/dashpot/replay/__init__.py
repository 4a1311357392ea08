"""Replay of a recorded log through the firmware: time, feeding, statistics, report."""
