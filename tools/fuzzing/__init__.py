"""Random images and drives for the firmware, and what must hold in every tick of them; tools/fuzz.py is the command."""
