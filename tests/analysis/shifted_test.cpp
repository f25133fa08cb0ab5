// Files of one converter that is behind another, in a simulated take.
#include "simulated_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::dsp;
using namespace kitfold::test;

namespace {

/// The take with the mics of these roles later, found and judged anew.
std::vector<ShiftedFile> found(const SimulatedTake& from, const std::vector<Role>& roles, double late_ms) {
    auto samples = from.samples;
    const auto late = std::lround(late_ms / 1e3 * from.take.rate_hz);
    for (std::size_t m = 0; m < samples.size(); ++m)
        if (std::find(roles.begin(), roles.end(), from.take.mics[m].role) != roles.end()) {
            samples[m].insert(samples[m].begin(), std::size_t(late), 0.0f);
            samples[m].resize(from.samples[m].size());
        }
    const auto take = take_of(from.take.rate_hz, from.take.mics, {samples.begin(), samples.end()});
    return judge_pairs(take, find_hits(take)).shifted;
}

} // namespace

TEST_CASE("files of a converter that is behind are named together, and none where all is well",
          "[analysis][pairs]") {
    SimulatorOptions options;
    options.seconds = 40.0;
    options.seed = 611;
    const SimulatedTake take(options);
    using Roles = std::vector<Role>;
    const auto roles = GENERATE(values<Roles>({{Role::overhead_left, Role::overhead_right, Role::room_mono},
                                               {Role::kick_in, Role::kick_out},
                                               {Role::snare_top},
                                               {}}));
    const auto shifted = found(take, roles, 15.0);
    auto due = roles;
    std::erase(due, Role::room_mono); // it may hang so far away
    for (const auto& file : shifted) {
        const auto role = take.take.mics[file.mic].role;
        CHECK(std::find(roles.begin(), roles.end(), role) != roles.end());
        std::erase(due, role);
        CHECK(file.late_ms == Approx(15.0).epsilon(0).margin(5.0)); // what the size of a kit leaves open
    }
    CHECK(due.empty());
}
