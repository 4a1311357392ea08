"""Run the firmware's viper functions as a Cortex-M4 would, in an emulator, and count their instructions."""
