// The kick conditioner against scipy.signal: tests/reference/kick_filters.py names the sources and the
// version.
#include "filters/kick_conditioner.h"
#include <catch2/catch.hpp>
#include <cstdlib>
#include <fstream>
#include <sstream>

using namespace kitfold::dsp;

namespace {

struct Row {
    double rate_hz, hz, x, y, at_hz, response_db;
    std::string filter;
};

std::vector<Row> reference() {
    std::ifstream in(std::string(KITFOLD_SOURCE_DIR) + "/tests/reference/kick_filters.csv");
    std::vector<Row> rows;
    for (std::string line; std::getline(in, line);) {
        if (line.empty() || line[0] == '#' || line[0] == 'r') continue;
        std::stringstream cells(line);
        std::vector<std::string> c;
        for (std::string cell; std::getline(cells, cell, ',');) c.push_back(cell);
        rows.push_back({std::stod(c[0]), std::stod(c[2]), std::stod(c[3]), std::stod(c[4]), std::stod(c[5]),
                        std::stod(c[6]), c[1]});
    }
    return rows;
}

KickSettings settings(const Row& r) {
    KickSettings s{.high_pass_slope = Slope::off, .shelf_db = 0, .box_db = 0, .bleed_cut_slope = Slope::off};
    if (r.filter == "high_pass") s.high_pass_hz = r.hz, s.high_pass_slope = from_number<Slope>(r.x);
    if (r.filter == "bleed_cut") s.bleed_cut_hz = r.hz, s.bleed_cut_slope = from_number<Slope>(r.x);
    if (r.filter == "shelf") s.shelf_hz = r.hz, s.shelf_db = r.x, s.shelf_slope = r.y;
    if (r.filter == "box") s.box_hz = r.hz, s.box_db = r.x, s.box_q = r.y;
    return s;
}

/// Response of the running block at one frequency, from its impulse response.
double measured_db(const std::vector<float>& h, double hz, double rate_hz) {
    const std::complex<double> turn = std::polar(1.0, -2.0 * M_PI * hz / rate_hz);
    std::complex<double> sum = 0.0, phase = 1.0;
    for (const float x : h) sum += static_cast<double>(x) * phase, phase *= turn;
    return db_from_gain(std::abs(sum));
}

} // namespace

TEST_CASE("kick conditioner equals scipy.signal within 0.02 dB, 10 Hz to 0.45 of the rate", "[filters]") {
    const auto rows = reference();
    REQUIRE(rows.size() == 2800);
    double worst_design = 0.0, worst_block = 0.0;
    std::vector<float> h;
    KickSettings last;
    double last_rate = 0.0;
    for (const auto& r : rows) {
        const auto s = settings(r);
        worst_design =
            std::max(worst_design, std::abs(KickDesign::make(r.rate_hz, s).response_db(r.at_hz, r.rate_hz) -
                                            r.response_db));
        if (!(s == last) || r.rate_hz != last_rate) {
            last = s, last_rate = r.rate_hz;
            KickConditioner<double> kick;
            REQUIRE(kick.prepare(r.rate_hz));
            REQUIRE(kick.set(s) == nullptr);
            h.assign(static_cast<std::size_t>(r.rate_hz), 0.0f);
            h[0] = 1.0f;
            kick.process(h.data(), h.data(), h.size());
        }
        if (r.response_db > -60.0) // below, the float samples of a single click say less than the table
            worst_block = std::max(worst_block, std::abs(measured_db(h, r.at_hz, r.rate_hz) - r.response_db));
    }
    CAPTURE(worst_design, worst_block);
    CHECK(worst_design < 0.001);
    CHECK(worst_block < 0.02);
}

TEST_CASE("the reference table is what scipy.signal gives here", "[filters]") {
    if (std::system("/usr/bin/python3 -c 'import scipy' 2>/dev/null") != 0)
        return; // no scipy: the table stands alone
    CHECK(std::system("/usr/bin/python3 " KITFOLD_SOURCE_DIR "/tests/reference/kick_filters.py --check") ==
          0);
}
