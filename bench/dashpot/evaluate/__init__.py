"""Which setting of the dampers is better, and how sure one can be: measured on drives of the simulated car."""
