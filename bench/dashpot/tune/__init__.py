"""Tune: a bounded, seeded search over chosen numbers of a calibration, judged on roads that it did not see."""
