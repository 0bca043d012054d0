// What the board of board.cpp runs on: take() reads standard input, give() writes to a file
// descriptor, leave() ends; obeyAll() is the whole run. On this computer the C library does it.
// Compiled for a 32-bit processor there is none: three system calls of Linux do, which QEMU knows.
#ifndef COMPUTER_H
#define COMPUTER_H

static void obeyAll();

#if defined(__xtensa__) || defined(__riscv)
// Linux's numbers of read, write and exit, and the registers they are called with.
#if defined(__xtensa__)
enum { READ = 12, WRITE = 13, EXIT = 118 };
static long call(long number, long a, long b, long c) {
  register long r2 asm("a2") = number, r6 asm("a6") = a, r3 asm("a3") = b, r4 asm("a4") = c;
  asm volatile("syscall" : "+r"(r2) : "r"(r6), "r"(r3), "r"(r4) : "memory");
  return r2;
}
// A chip of this family has these two in its ROM; the compiler's library leaves them out.
static unsigned divide(unsigned n, unsigned by, unsigned *rest) {
  unsigned quotient = 0, left = 0;
  for (int place = 31; place >= 0; place--) {
    left = left << 1 | (n >> place & 1);
    quotient <<= 1;
    if (left >= by) left -= by, quotient |= 1;
  }
  *rest = left;
  return quotient;
}
extern "C" unsigned __udivsi3(unsigned n, unsigned by) { return divide(n, by, &by); }
extern "C" unsigned __umodsi3(unsigned n, unsigned by) { return divide(n, by, &n), n; }
#else
enum { READ = 63, WRITE = 64, EXIT = 93 };
static long call(long number, long a, long b, long c) {
  register long r7 asm("a7") = number, r0 asm("a0") = a, r1 asm("a1") = b, r2 asm("a2") = c;
  asm volatile("ecall" : "+r"(r0) : "r"(r7), "r"(r1), "r"(r2) : "memory");
  return r0;
}
#endif
extern "C" void *memset(void *to, int value, size_t size) {
  for (size_t i = 0; i < size; i++) static_cast<volatile char *>(to)[i] = static_cast<char>(value);
  return to;
}
extern "C" void *memcpy(void *to, const void *from, size_t size) {
  for (size_t i = 0; i < size; i++)
    static_cast<volatile char *>(to)[i] = static_cast<const char *>(from)[i];
  return to;
}
static long take(char *to, long size) { return call(READ, 0, reinterpret_cast<long>(to), size); }
static void give(int file, const void *from, long size) {
  call(WRITE, file, reinterpret_cast<long>(from), size);
}
[[noreturn]] static void leave(int code) {
  for (;;) call(EXIT, code, 0, 0);
}
extern "C" [[noreturn]] void _start() {
  obeyAll();
  leave(0);
}
#else
#include <unistd.h>
static long take(char *to, long size) { return read(0, to, static_cast<size_t>(size)); }
static void give(int file, const void *from, long size) {
  if (write(file, from, static_cast<size_t>(size)) != size) _exit(4);
}
[[noreturn]] static void leave(int code) { _exit(code); }
int main() { obeyAll(); }
#endif

#endif
