# RP2040: Cortex-M0+, 264 kB RAM; flash of 2 MB, a crystal of 12 MHz as on the common boards.
CPU := -mcpu=cortex-m0plus -mthumb
LINK := -nostartfiles -T rp2040.ld --specs=nano.specs --specs=nosys.specs -Wl,--no-warn-rwx-segments
IMAGES := firmware.uf2
DRIVES := /media/*/RPI-RP2 /run/media/*/RPI-RP2 /media/RPI-RP2 /Volumes/RPI-RP2

firmware.bin: firmware.elf
	$(CROSS)objcopy -O binary $< $@

firmware.uf2: firmware.bin uf2.py
	python3 uf2.py firmware.bin $@

# With the board plugged in while its BOOTSEL button is held.
flash: firmware.uf2
	@test -n "$(wildcard $(DRIVES))" || { echo "no drive RPI-RP2: hold BOOTSEL, plug it in"; exit 1; }
	cp firmware.uf2 "$(firstword $(wildcard $(DRIVES)))/"
