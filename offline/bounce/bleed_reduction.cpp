#include "offline/bounce/bleed_reduction.h"
#include "hits/hits.h"
#include "offline/session/take_files.h"
#include <algorithm>
#include <fmt/format.h>

namespace kitfold::offline {

std::optional<BleedReduction> learn_bleed_reduction(const Session& session, double rate_hz,
                                                    const std::function<void(double)>& progress) {
    std::vector<double> reduction_db;
    for (const Mic& mic : session.mics) reduction_db.push_back(mic.bounce.bleed_reduction_db);
    if (std::all_of(reduction_db.begin(), reduction_db.end(), [](double db) { return db == 0.0; }))
        return std::nullopt;
    TakeFiles files(session);
    std::vector<dsp::ScanFeatures> scans;
    for (auto& reading : files.read_all([&](double share) {
             if (progress) progress(0.9 * share);
         }))
        scans.push_back(std::move(reading.scan));
    const auto& take = files.take();
    const auto transfer = dsp::learn_bleed_transfer(take, dsp::find_hits(take, scans));
    files.throw_if_failed();
    BleedReduction out;
    (void)out.reducer.prepare(rate_hz, take.mics, transfer,
                              reduction_db); // KitReader has refused other rates
    for (std::size_t m = 0; m < reduction_db.size(); ++m)
        if (reduction_db[m] > 0.0 && !out.reducer.reduces(m))
            out.notices.push_back(
                fmt::format("{}: its bleed is left as it is; to tell it from the drum takes two hits "
                            "of the drum that stand out in this mic, and there are none",
                            session.mics[m].name));
    if (progress) progress(1.0);
    return out;
}

} // namespace kitfold::offline
