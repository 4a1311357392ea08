"""Control core: hardware-free; time, frames and the image come in as arguments."""
