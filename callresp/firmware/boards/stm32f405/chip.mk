# STM32F405RG: Cortex-M4F, 1 MB flash, 128 kB RAM. CRYSTAL: of your board, in MHz.
CRYSTAL ?= 8
CPU := -mcpu=cortex-m4 -mthumb -mfloat-abi=soft -DCR_CRYSTAL_MHZ=$(CRYSTAL)
LINK := -nostartfiles -T stm32f405.ld --specs=nano.specs --specs=nosys.specs
IMAGES := firmware.bin

firmware.bin: firmware.elf
	$(CROSS)objcopy -O binary $< $@

# Over USB, by the chip's own bootloader: BOOT0 high, reset, then this.
flash: firmware.bin
	dfu-util -a 0 -s 0x08000000:leave -D $<
