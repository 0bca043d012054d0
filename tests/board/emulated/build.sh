#!/bin/sh
# A board program to AVR machine code, with Debian's compiler and Arduino core.
# usage: build.sh SKETCH.ino OUT.elf [-DOPTION=VALUE ...]
set -eu
sketch=$1 program=$2
shift 2
core=/usr/share/arduino/hardware/arduino/avr
objects=$(mktemp -d)
trap 'rm -rf "$objects"' EXIT
# shellcheck disable=SC2086
includes="-I$core/cores/arduino -I$core/variants/standard -I$core/libraries/SPI/src
    -I$core/libraries/Wire/src -I$core/libraries/Wire/src/utility
    -I$(dirname "$sketch") -I$(dirname "$sketch")/.."
common="-mmcu=atmega328p -DF_CPU=16000000UL -DARDUINO=10819 -DARDUINO_ARCH_AVR -DARDUINO_AVR_UNO
    -Os -flto -ffunction-sections -fdata-sections $includes"
# DECIMAL_DIG: the compiler's float.h hides it from C++11 and the core asks for it.
cpp="$common -std=gnu++11 -DDECIMAL_DIG=__DECIMAL_DIG__ -fno-exceptions -fno-threadsafe-statics"
for file in "$core"/cores/arduino/*.c "$core"/libraries/Wire/src/utility/twi.c; do
    avr-gcc $common -w -std=gnu11 -c "$file" -o "$objects/$(basename "$file").o"
done
for file in "$core"/cores/arduino/*.S; do
    avr-gcc $common -x assembler-with-cpp -c "$file" -o "$objects/$(basename "$file").o"
done
for file in "$core"/cores/arduino/*.cpp "$core"/libraries/SPI/src/SPI.cpp \
    "$core"/libraries/Wire/src/Wire.cpp; do
    avr-g++ $cpp -w -fpermissive -c "$file" -o "$objects/$(basename "$file").o"
done
avr-g++ $cpp -Wall -Wextra -x c++ -include Arduino.h "$@" -c "$sketch" -o "$objects/sketch.o"
avr-gcc $common -Wl,--gc-sections "$objects"/*.o -o "$program" -lm
avr-size "$program"
