// Small problems of linear algebra whose answers are known in closed form.
#include "core/linear.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <numbers>

using namespace kitfold::dsp;

namespace {

using Complex = std::complex<double>;

/// Hilbert's matrix, 1 / (row + column - 1), as badly conditioned as its size allows; the lower triangle
/// alone.
template <class M> M hilbert(std::size_t n) {
    M a(n, n);
    for (std::size_t c = 0; c < n; ++c)
        for (std::size_t r = c; r < n; ++r) a(r, c) = 1.0 / static_cast<double>(r + c + 1);
    return a;
}

void check_equal(Complex got, Complex wanted) {
    CHECK(got.real() == Approx(wanted.real()).margin(1e-9));
    CHECK(got.imag() == Approx(wanted.imag()).margin(1e-9));
}

} // namespace

TEST_CASE("symmetric equations are solved from their lower triangle", "[linear]") {
    // The inverse of Hilbert's matrix of order 3 (Choi, Amer. Math. Monthly 90, 1983): 9 -36 30, -36 192
    // -180, 30 -180 180
    const auto x = solve_symmetric(hilbert<Matrix<double>>(3), {1.0, 0.0, 1.0});
    CHECK(x[0] == Approx(39.0));
    CHECK(x[1] == Approx(-216.0));
    CHECK(x[2] == Approx(210.0));
}

TEST_CASE("what has no answer gives zeros", "[linear]") {
    CHECK(solve_symmetric(Matrix<double>(2, 2), {1.0, 1.0}) == std::vector<double>{0.0, 0.0});
    ComplexMatrix a(2, 2);
    a(0, 0) = std::numeric_limits<double>::quiet_NaN();
    CHECK(hermitian_parts(a).values.empty());
    CHECK(eigenvalues(a).empty());
    CHECK(log_determinant(a) == 0.0);
    CHECK(least_squares(a, ComplexMatrix(2, 1)).values == std::vector<Complex>(2));
}

TEST_CASE("least squares: a line through four points, turned in the plane", "[linear]") {
    // (1,6) (2,5) (3,7) (4,10): 3.5 + 1.4 x, by the normal equations
    ComplexMatrix a(4, 2), b(4, 1);
    const Complex turn = std::polar(1.0, 0.7);
    const double y[] = {6.0, 5.0, 7.0, 10.0};
    for (std::size_t r = 0; r < 4; ++r)
        a(r, 0) = 1.0, a(r, 1) = static_cast<double>(r + 1), b(r, 0) = turn * y[r];
    const auto x = least_squares(a, b);
    check_equal(x(0, 0), 3.5 * turn);
    check_equal(x(1, 0), 1.4 * turn);
}

TEST_CASE("Hermitian matrices: eigenvalues rise, and their vectors are turned by the matrix into themselves",
          "[linear]") {
    // 2 i; -i 2: 1 and 3
    ComplexMatrix a(2, 2);
    a(0, 0) = 2.0, a(1, 1) = 2.0, a(1, 0) = {0.0, -1.0};
    const auto parts = hermitian_parts(a);
    REQUIRE(parts.values.size() == 2);
    CHECK(parts.values[0] == Approx(1.0));
    CHECK(parts.values[1] == Approx(3.0));
    for (std::size_t k = 0; k < 2; ++k) {
        const auto u = parts.vectors(0, k), v = parts.vectors(1, k);
        check_equal(2.0 * u + Complex(0.0, 1.0) * v, parts.values[k] * u);
        check_equal(Complex(0.0, -1.0) * u + 2.0 * v, parts.values[k] * v);
    }
}

TEST_CASE("a turn's eigenvalues are its two directions", "[linear]") {
    const double angle = std::numbers::pi / 5.0;
    ComplexMatrix a(2, 2);
    a(0, 0) = a(1, 1) = std::cos(angle);
    a(0, 1) = -std::sin(angle), a(1, 0) = std::sin(angle);
    auto found = eigenvalues(a);
    REQUIRE(found.size() == 2);
    std::sort(found.begin(), found.end(), [](Complex x, Complex y) { return x.imag() < y.imag(); });
    check_equal(found[0], std::polar(1.0, -angle));
    check_equal(found[1], std::polar(1.0, angle));
}

TEST_CASE("the determinant of Hilbert's matrix of order 4 is 1 / 6048000", "[linear]") {
    // Choi, ibid.; OEIS A005249
    CHECK(log_determinant(hilbert<ComplexMatrix>(4)) == Approx(-std::log(6'048'000.0)));
}
