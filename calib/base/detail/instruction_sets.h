#pragma once

// To be included before any header of Highway in files that foreach_target.h compiles once per
// instruction set. Left out are two sets that are within a few percent of their neighbours or no
// longer in use, and vectors of unknown length, which cannot be members of a struct.
#define HWY_DISABLED_TARGETS \
  (HWY_SSSE3 | HWY_AVX3_DL | HWY_SVE | HWY_SVE2 | HWY_SVE_256 | HWY_SVE2_128 | HWY_RVV)
