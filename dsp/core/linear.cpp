#include "core/linear.h"
#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>
#define lapack_complex_float std::complex<float> // as its header suggests
#define lapack_complex_double std::complex<double>
#include <lapacke.h>

namespace kitfold::dsp {
namespace {

lapack_int size(std::size_t n) { return static_cast<lapack_int>(n); }

} // namespace

std::vector<double> solve_symmetric(Matrix<double> a, std::vector<double> b) {
    const auto n = size(a.rows);
    std::vector<lapack_int> pivots(a.rows);
    if (LAPACKE_dsysv(LAPACK_COL_MAJOR, 'L', n, 1, a.values.data(), n, pivots.data(), b.data(), n) != 0)
        std::fill(b.begin(), b.end(), 0.0);
    return b;
}

ComplexMatrix least_squares(ComplexMatrix a, ComplexMatrix b) {
    const auto rows = size(a.rows), columns = size(a.columns);
    std::vector<lapack_int> pivots(a.columns);
    const double least = std::numeric_limits<double>::epsilon() * static_cast<double>(a.columns);
    lapack_int rank = 0;
    ComplexMatrix x(a.columns, b.columns);
    if (LAPACKE_zgelsy(LAPACK_COL_MAJOR, rows, columns, size(b.columns), a.values.data(), rows,
                       b.values.data(), rows, pivots.data(), least, &rank) != 0)
        return x;
    for (std::size_t c = 0; c < x.columns; ++c)
        for (std::size_t r = 0; r < x.rows; ++r) x(r, c) = b(r, c);
    return x;
}

HermitianParts hermitian_parts(ComplexMatrix a) {
    const auto n = size(a.rows);
    HermitianParts parts{std::vector<double>(a.rows), {}};
    if (LAPACKE_zheev(LAPACK_COL_MAJOR, 'V', 'L', n, a.values.data(), n, parts.values.data()) != 0) return {};
    parts.vectors = std::move(a);
    return parts;
}

std::vector<std::complex<double>> eigenvalues(ComplexMatrix a) {
    const auto n = size(a.rows);
    std::vector<std::complex<double>> values(a.rows);
    if (LAPACKE_zgeev(LAPACK_COL_MAJOR, 'N', 'N', n, a.values.data(), n, values.data(), nullptr, n, nullptr,
                      n) != 0)
        return {};
    return values;
}

double log_determinant(ComplexMatrix a) {
    const auto n = size(a.rows);
    if (LAPACKE_zpotrf(LAPACK_COL_MAJOR, 'L', n, a.values.data(), n) != 0) return 0.0;
    double sum = 0.0;
    for (std::size_t i = 0; i < a.rows; ++i) sum += 2.0 * std::log(a(i, i).real());
    return sum;
}

} // namespace kitfold::dsp
