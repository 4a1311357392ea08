"""A car on the desk that answers the currents: body and wheels, dampers, coils, road, and what is measured on it."""
