/* Several readings at once: a vector of doubles where the compiler has such types, else one double.

   Masks hold all bits of a lane or none. Comparisons with NaN are false. */
#ifndef FFX_LANES_H
#define FFX_LANES_H

#include <float.h>
#include <math.h>
#include <stddef.h>
#include <stdint.h>

#if defined(__GNUC__) && !defined(FFX_ONE_LANE)

/* As wide as the processor's registers. */
#if defined(__AVX512F__)
#define FFX_LANES 8
#elif defined(__AVX__)
#define FFX_LANES 4
#else
#define FFX_LANES 2
#endif
typedef double Lanes __attribute__((vector_size(8 * FFX_LANES)));
typedef int64_t Mask __attribute__((vector_size(8 * FFX_LANES)));
#define INLINE static inline __attribute__((always_inline))
#define LESS(a, b) ((Mask)((a) < (b)))
#define EQUAL(a, b) ((Mask)((a) == (b)))
#define BITS(a) ((Mask)(a))
#define LANES_OF(m) ((Lanes)(m))
#define GET(a, l) ((a)[l])
#define PUT(a, l, v) ((a)[l] = (v))

#else

#define FFX_LANES 1
typedef double Lanes;
typedef int64_t Mask;
#define INLINE static inline
#define LESS(a, b) (-(Mask)((a) < (b)))
#define EQUAL(a, b) (-(Mask)((a) == (b)))
#define GET(a, l) ((void)(l), (a))
#define PUT(a, l, v) ((void)(l), (a) = (v))

#endif

INLINE Lanes all_lanes(double value)
{
    Lanes found = {0.0};
    for (int l = 0; l < FFX_LANES; ++l) {
        PUT(found, l, value);
    }
    return found;
}

INLINE Mask no_lane(void)
{
    const Mask none = {0};
    return none;
}

/* `a` where the mask is set, else `b`. */
INLINE Lanes choose(Mask mask, Lanes a, Lanes b)
{
#if FFX_LANES > 1
    return LANES_OF((mask & BITS(a)) | (~mask & BITS(b)));
#else
    return mask ? a : b;
#endif
}

INLINE Lanes larger(Lanes a, Lanes b)
{
    return choose(LESS(a, b), b, a);
}

/* Clipped to a range; NaN stays NaN. */
INLINE Lanes clipped(Lanes a, double low, double high)
{
    const Lanes floor_ = all_lanes(low), ceiling = all_lanes(high);
    const Lanes raised = choose(LESS(a, floor_), floor_, a);
    return choose(LESS(ceiling, raised), ceiling, raised);
}

INLINE int any_lane(Mask mask)
{
    int64_t found = 0;
    for (int l = 0; l < FFX_LANES; ++l) {
        found |= GET(mask, l);
    }
    return found != 0;
}

/* Nearest whole number, of magnitudes below 2^51. */
INLINE Lanes rounded(Lanes a)
{
    const Lanes shift = all_lanes(6755399441055744.0); /* 1.5 * 2^52 */
    return (a + shift) - shift;
}

#endif
