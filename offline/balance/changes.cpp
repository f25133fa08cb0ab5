#include "offline/balance/changes.h"
#include "settings/parameters.h"
#include <algorithm>

namespace kitfold::offline {
namespace {

template <class Settings> void compare(const std::string& where, const std::string& block,
                                       const Settings& before, const Settings& after,
                                       std::vector<Change>& out) {
    for (const auto& field : dsp::fields<Settings>()) {
        const double a = field.of(before), b = field.of(after);
        if (a == b) continue;
        auto what = block + std::string(field.parameter.name);
        std::transform(what.begin(), what.end(), what.begin(),
                       [](unsigned char c) { return c < 0x80 ? char(std::tolower(c)) : char(c); });
        out.push_back({where, what, dsp::text(field.parameter, a), dsp::text(field.parameter, b)});
    }
}

} // namespace

std::vector<Change> changes_between(const Session& before, const Session& after) {
    std::vector<Change> out;
    for (std::size_t m = 0; m < std::min(before.mics.size(), after.mics.size()); ++m) {
        const auto &a = before.mics[m], &b = after.mics[m];
        compare(b.name, "", a.mix, b.mix, out);
        if (a.gate && b.gate) compare(b.name, "gate ", *a.gate, *b.gate, out);
    }
    compare("Sum", "", before.sum, after.sum, out);
    if (before.bus && after.bus) compare("Bus", "", *before.bus, *after.bus, out);
    compare("Output", "", before.output, after.output, out);
    return out;
}

} // namespace kitfold::offline
