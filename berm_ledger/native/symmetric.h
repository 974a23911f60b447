/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Symmetric matrices of 3 x 3, number by number as survey/symmetric.py has them. */
#ifndef BERM_LEDGER_SYMMETRIC_H
#define BERM_LEDGER_SYMMETRIC_H
#include "held.h"

typedef struct {
    double xx, xy, xz, yy, yz, zz;
} Symmetric;

/* From and to all nine numbers. */
OWN Symmetric symmetric_of(const double *m)
{
    return (Symmetric){m[0], m[1], m[2], m[4], m[5], m[8]};
}

OWN void write_symmetric(const Symmetric *m, double *out)
{
    out[0] = m->xx, out[1] = out[3] = m->xy, out[2] = out[6] = m->xz;
    out[4] = m->yy, out[5] = out[7] = m->yz, out[8] = m->zz;
}

OWN Symmetric over(const Symmetric *m, double by)
{
    return (Symmetric){m->xx / by, m->xy / by, m->xz / by, m->yy / by, m->yz / by, m->zz / by};
}

OWN Symmetric plus(const Symmetric *m, const Symmetric *other)
{
    return (Symmetric){m->xx + other->xx, m->xy + other->xy, m->xz + other->xz,
                       m->yy + other->yy, m->yz + other->yz, m->zz + other->zz};
}

OWN void times(const Symmetric *m, const double *v, double *out)
{
    double x = v[0], y = v[1], z = v[2];
    out[0] = m->xx * x + m->xy * y + m->xz * z;
    out[1] = m->xy * x + m->yy * y + m->yz * z;
    out[2] = m->xz * x + m->yz * y + m->zz * z;
}

/* The diagonal of D, and what L holds below its own: y by x, z by x, z by y. */
typedef struct {
    double first, second, third, low_y, low_z, low;
} Factors;

/* Return whether the matrix is positive definite; else there is an error set. */
OWN int factors_of(const Symmetric *m, Factors *of)
{
    of->first = m->xx, of->low_y = m->xy / m->xx, of->low_z = m->xz / m->xx;
    of->second = m->yy - of->low_y * m->xy;
    double beside = m->yz - of->low_y * m->xz;
    of->low = beside / of->second;
    of->third = m->zz - of->low_z * m->xz - of->low * beside;
    if (of->first > 0.0 && of->second > 0.0 && of->third > 0.0) return 1;
    PyErr_SetString(PyExc_ValueError, "matrix is not positive definite");
    return 0;
}

OWN void solve(const Factors *of, const double *right, double *out)
{
    double x = right[0], y = right[1], z = right[2];
    y -= of->low_y * x;
    z -= of->low_z * x + of->low * y;
    z /= of->third;
    y = y / of->second - of->low * z;
    x = x / of->first - (of->low_y * y + of->low_z * z);
    out[0] = x, out[1] = y, out[2] = z;
}

OWN Symmetric inverse_of(const Factors *of)
{
    Symmetric out;
    out.zz = 1.0 / of->third;
    out.yz = -of->low * out.zz;
    out.xz = -(of->low_y * out.yz + of->low_z * out.zz);
    out.yy = 1.0 / of->second - of->low * out.yz;
    out.xy = -(of->low_y * out.yy + of->low_z * out.yz);
    out.xx = 1.0 / of->first - (of->low_y * out.xy + of->low_z * out.xz);
    return out;
}

#endif
