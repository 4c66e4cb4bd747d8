/* The largest core, for the programs on a computer. */
#ifndef CR_CONFIG_H
#define CR_CONFIG_H
#define CR_PROTOCOL 2
#define CR_COILS 20
#define CR_MOTORS 4
#define CR_LIGHTS 32
#define CR_DRIVERS 8
#define CR_QUEUE 64
#define CR_SPANS 96
#endif
