"""A starting calibration from a car's data: targets of damping become firmness demands, each with its reason."""
