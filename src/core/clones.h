// A function compiled twice, for the processor at hand and for any; the loader chooses.
//
// Invariants: one source; only a target that fuses multiplications may differ in the last bit. The
// thread sanitizer is not yet there when the loader chooses, so under it there is one.
#pragma once

#if defined(__x86_64__) && !defined(__SANITIZE_THREAD__)
#define LAPWRIGHT_CLONES(target) __attribute__((target_clones(target, "default")))
#else
#define LAPWRIGHT_CLONES(target)
#endif
