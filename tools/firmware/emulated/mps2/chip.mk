# mps2-an385, a board of the emulator's: its Cortex-M3 runs the code of a Cortex-M0+ as it is.
CPU := -mcpu=cortex-m0plus -mthumb
LINK := -nostartfiles -T mps2.ld --specs=nano.specs --specs=nosys.specs
IMAGES :=
