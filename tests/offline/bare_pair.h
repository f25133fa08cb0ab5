#pragma once
// Two mics of a take heard alone in a bounce: what check says of their sum against what is written.
#include "files.h"
#include "run_program.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <nlohmann/json.hpp>
#include <numbers>
#include <string>
#include <vector>

namespace kitfold::test {

/// When a drum is struck by check's own account, s.
inline std::vector<double> hits_of(const nlohmann::json& check, const std::string& drum) {
    std::vector<double> out;
    for (const auto& h : check.at("hits"))
        if (h.at("drum") == drum) out.push_back(h.at("time_s"));
    return out;
}

/// Energy below 200 Hz in the first 80 ms of each hit, as check says, by a plain Fourier sum. Its edge is a
/// Butterworth's of fourth order, 1 / (1 + (f / 200 Hz)^8) in power: a snare's lowest tone lies about there,
/// and with another slope the sum is another one.
inline double low_energy(const std::vector<float>& x, const std::vector<double>& hits_s,
                         double rate_hz = 48'000.0) {
    double energy = 0.0;
    for (const double t : hits_s) {
        const auto first = static_cast<std::size_t>((t - 0.001) * rate_hz);
        const auto end = std::min(x.size(), first + static_cast<std::size_t>(0.081 * rate_hz));
        for (double hz = 5.0; hz < 800.0; hz += 5.0) { // an 80 ms long piece tells no more
            const auto step = std::polar(1.0, 2.0 * std::numbers::pi * hz / rate_hz);
            std::complex<double> turn = 1.0, sum;
            for (std::size_t n = first; n < end; ++n, turn *= step) sum += turn * static_cast<double>(x[n]);
            energy += std::norm(sum) / (1.0 + std::pow(hz / 200.0, 8.0));
        }
    }
    return energy;
}

/// Leaves two mics of a take audible, bare and in the middle, so that the bounce's left channel is their sum.
inline void bare_pair(const std::filesystem::path& folder, const std::string& a, const std::string& b) {
    auto session = nlohmann::ordered_json::parse(bytes_of_file(folder / "session.json"));
    for (auto& mic : session["mics"]) {
        for (const char* block : {"filters", "gate", "damp"}) mic.erase(block);
        mic["level_db"] = 0, mic["balanced_db"] = -1; // set by a person, so that the balance leaves it
        mic["pan"] = 0;
        mic["mute"] = mic["role"] != a && mic["role"] != b;
    }
    session["sum"] = {{"pan_law_db", 0}};
    session.erase("bus");
    session["output"] = {{"bits", 32}, {"level_db", 0}, {"balanced_db", -1}};
    write_text(folder / "session.json", session.dump());
}

/// What the sum of two mics has more than their powers' sum, in a bounce of a session that `bare_pair` left,
/// or one that has fixes since; below 200 Hz around these hits, dB. @param apart low_energy of both mics'
/// files
inline double gain_in_bounce(const std::filesystem::path& folder, const std::vector<double>& hits_s,
                             double apart) {
    const auto out = folder / "mix.wav";
    const auto run = run_program({"bounce", folder.string(), "-o", out.string()});
    if (run.exit_code != 0) throw std::runtime_error(run.err);
    const auto x = read_sound(out);
    std::vector<float> left;
    for (std::size_t n = 0; n < x.size(); n += 2) left.push_back(x[n]);
    return 10.0 * std::log10(low_energy(left, hits_s) / apart);
}

} // namespace kitfold::test
