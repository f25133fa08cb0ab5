#include "offline/session/one_take.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <fmt/format.h>
#include <numeric>

namespace kitfold::offline {

std::vector<double> starts_in_one_take(std::span<const PlacedFile> files) {
    const auto reference_s = [](const PlacedFile& file) {
        return double(file.info->broadcast->time_reference) / file.info->rate_hz;
    };
    double earliest = std::numeric_limits<double>::infinity();
    for (const auto& file : files)
        if (file.info->broadcast) earliest = std::min(earliest, reference_s(file));
    std::vector<double> starts(files.size(), 0.0);
    for (std::size_t i = 0; i < files.size(); ++i)
        if (files[i].info->broadcast) starts[i] = reference_s(files[i]) - earliest;
    std::vector<std::size_t> order(files.size());
    std::iota(order.begin(), order.end(), std::size_t{0});
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return starts[a] < starts[b]; });
    double end = std::numeric_limits<double>::infinity();
    for (const auto i : order) {
        if (starts[i] >= end)
            throw bad_input(fmt::format("{}: was never recorded at the same time as another mic, by its time "
                                        "reference ({:.0f} s after the earliest); use files of one take",
                                        files[i].file.string(), starts[i]));
        const double own_end = starts[i] + files[i].info->seconds();
        end = i == order.front() ? own_end : std::max(end, own_end);
    }
    return starts;
}

} // namespace kitfold::offline
