#pragma once
// The modes of a drum head: an ideal membrane, loaded by the air it moves and tuned by a human being.
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

/// The n-th positive zero of the Bessel function J_m: Abramowitz and Stegun, table 9.5. @pre 0 <= m <= 20,
/// 1 <= n <= 20. Good to 1e-9.
double bessel_zero(int m, int n);

/// A mode of the ideal membrane fixed at its rim: m nodal diameters, n nodal circles (the rim is one).
struct MembraneMode {
    int m = 0, n = 1;
    double zero = 0.0;  ///< bessel_zero(m, n)
    double ratio = 1.0; ///< frequency re mode (0,1): zero / bessel_zero(0, 1)
};

/// The `count` lowest modes in rising order: ratios 1, 1.593, 2.136, 2.295, 2.653, 2.917, … @pre count <= 40
std::vector<MembraneMode> ideal_membrane(std::size_t count);

/// How strongly a stroke at `radius` (0 centre .. 1 rim) excites the mode: its normalised shape there, the
/// nodal diameters `angle` radians from the stroke.
double mode_shape(const MembraneMode& mode, double radius, double angle);

/// Frequency ratio of a mode re mode (0,1) when air of `loading` times the head's own mass (at mode (0,1))
/// moves with it; the load falls with the wavelength, so high modes are closer to the ideal membrane
/// (Fletcher and Rossing, The Physics of Musical Instruments, chapter 18: air loading lowers the low modes).
double air_loaded_ratio(const MembraneMode& mode, double loading) noexcept;

} // namespace kitfold::dsp
