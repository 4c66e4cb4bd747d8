"""The RP2040's layer; `uf2` goes with it into the folder of firmware."""
