#pragma once
// The same invented bleed for every benchmark of the kit's key.
#include "settings/kit_key_table.h"

namespace bench {

/// Of ten mics the gates of kick, snare and two toms have the kit as their key.
inline constexpr std::size_t kKeyed[] = {0, 2, 4, 5};

inline kitfold::dsp::KitKeyTable kit_table() {
    using namespace kitfold::dsp;
    KitKeyTable table;
    table.mics.resize(10);
    for (auto& m : table.mics)
        m = {true, 0.0, {kOffDb, 0, 0, 0, kOffDb}, {-90, -90, -90, -90, -90}, {-10, -10, -10, -10, -10}};
    for (const std::size_t from : {0u, 2u, 4u, 5u, 6u}) // kick, snare, toms, hi-hat
        for (const std::size_t to : kKeyed)
            if (from != to)
                table.bleed.push_back(
                    {from, to, {-12, -12, -12, -12, -12}, std::vector<double>(kResponseTaps, 0.001)});
    return table;
}

} // namespace bench
