#include "offline/check/mic_faults.h"
#include "core/two_threads.h"
#include "faults/electric.h"

namespace kitfold::offline {

std::vector<double> times_for(std::span<const dsp::Hit> hits, dsp::Role role) {
    const auto own = dsp::own_drum(role);
    std::vector<double> times;
    for (const auto& hit : hits)
        if (!own || hit.drum == *own) times.push_back(hit.time_s);
    return times;
}

std::vector<std::vector<dsp::Fault>>
faults_of(const TakeFiles& files, std::span<const dsp::MicMeasure> measures, std::span<const dsp::Hit> hits) {
    const auto& take = files.take();
    std::vector<std::vector<dsp::Fault>> faults(take.mics.size());
    dsp::on_two_threads(faults.size(), [&](std::size_t m) {
        if (files.at_rate(m))
            faults[m] = dsp::mic_faults(take, m, measures[m], times_for(hits, take.mics[m].role).size());
    });
    for (const auto& fault : dsp::early_ends(measures)) faults[fault.mic].push_back(fault);
    for (const auto& fault : dsp::crackles(measures)) faults[fault.mic].push_back(fault);
    for (const auto& fault : dsp::identical_faults(take, measures)) faults[fault.mic].push_back(fault);
    for (const auto& fault : dsp::file_faults(files.files())) faults[fault.mic].push_back(fault);
    return faults;
}

} // namespace kitfold::offline
