#pragma once
// Small dense problems of linear algebra. LAPACK solves them (Anderson et al., LAPACK Users' Guide, SIAM, 3rd
// ed. 1999).
#include <complex>
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

/// Column by column; zeros to begin with.
template <class T> struct Matrix {
    std::size_t rows = 0, columns = 0;
    std::vector<T> values;

    Matrix() = default;
    Matrix(std::size_t with_rows, std::size_t with_columns)
        : rows(with_rows), columns(with_columns), values(with_rows * with_columns) {}
    T& operator()(std::size_t row, std::size_t column) { return values[column * rows + row]; }
    const T& operator()(std::size_t row, std::size_t column) const { return values[column * rows + row]; }
    /// Of a square one.
    [[nodiscard]] T trace() const {
        T sum{};
        for (std::size_t i = 0; i < rows; ++i) sum += (*this)(i, i);
        return sum;
    }
    void add_to_diagonal(T value) {
        for (std::size_t i = 0; i < rows; ++i) (*this)(i, i) += value;
    }
};

using ComplexMatrix = Matrix<std::complex<double>>;

// All of these allocate and may run in any thread. What has no answer (a matrix that is singular, or holds
// what is not finite) gives zeros, or nothing where the size of the answer depends on it.

/// The x for which a x = b. a: symmetric, of which the lower triangle is read; b: a value per row.
std::vector<double> solve_symmetric(Matrix<double> a, std::vector<double> b);

/// The x, a column for each of b's, for which a x comes closest to b. a: at least as many rows as columns; b:
/// as many rows as a.
ComplexMatrix least_squares(ComplexMatrix a, ComplexMatrix b);

/// Eigenvalues, rising, and the vector of each in its column.
struct HermitianParts {
    std::vector<double> values;
    ComplexMatrix vectors;
};

/// a: Hermitian, of which the lower triangle is read.
HermitianParts hermitian_parts(ComplexMatrix a);

/// Of a square matrix, in no order.
std::vector<std::complex<double>> eigenvalues(ComplexMatrix a);

/// Natural logarithm of the determinant. a: Hermitian and positive definite; the lower triangle is read.
double log_determinant(ComplexMatrix a);

} // namespace kitfold::dsp
