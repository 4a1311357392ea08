"""What a recorded log says about the car's files: zeros, signs, scales, leads, motion. Suggestions, never applied.

`lead` and `motion` work on plain (time, value) arrays and serve runs as well as logs.
"""
