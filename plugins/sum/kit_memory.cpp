#include "sum/kit_memory.h"
#include "settings/kit_key_json.h"
#include "take/drums.h"
#include <algorithm>
#include <nlohmann/json.hpp>
#include <vector>

namespace kitfold::plugins {
namespace {

std::string name_of(std::size_t mic) { return "Mic " + std::to_string(mic + 1); }

/// Of all mics of a session, which may have more than Sum.
std::vector<std::string> names_in(const dsp::Json& state) {
    std::vector<std::string> names;
    const auto mics = state.find("mics");
    const auto count = mics != state.end() && mics->is_array() ? mics->size() : 0;
    for (std::size_t m = 0; m < std::max(count, kSumMics); ++m) {
        names.push_back(name_of(m));
        if (m >= count || !(*mics)[m].is_object()) continue;
        const auto name = (*mics)[m].find("name");
        if (name != (*mics)[m].end() && name->is_string() && !name->get_ref<const std::string&>().empty())
            names.back() = name->get<std::string>();
    }
    return names;
}

std::array<dsp::OfflineSettings, kSumMics> bounce_settings_in(const dsp::Json& state) {
    std::array<dsp::OfflineSettings, kSumMics> out{};
    const auto mics = state.find("mics");
    if (mics == state.end() || !mics->is_array()) return out;
    for (std::size_t m = 0; m < std::min(mics->size(), kSumMics); ++m)
        dsp::read_leniently((*mics)[m], out[m]);
    return out;
}

/// A session refuses what a bounce would do to a mic that is put up for no drum.
bool has_drum(const dsp::Json& mic) {
    dsp::MicSettings settings;
    dsp::read_leniently(mic, settings);
    return dsp::own_drum(settings.role).has_value();
}

/// Without the mics that Sum has no input for, and up to the last of which anything is known: the others may
/// not be there in a session that the table is pasted into.
dsp::KitKeyTable first_mics(dsp::KitKeyTable table) {
    std::erase_if(table.bleed,
                  [](const auto& path) { return path.source >= kSumMics || path.mic >= kSumMics; });
    std::size_t count = std::min(table.mics.size(), kSumMics);
    const auto is_blank = [&](std::size_t mic) {
        const auto& m = table.mics[mic];
        return !m.known && m.noise_db[0] == dsp::kOffDb &&
               std::none_of(table.bleed.begin(), table.bleed.end(),
                            [mic](const auto& path) { return path.source == mic || path.mic == mic; });
    };
    while (count > 0 && is_blank(count - 1)) --count;
    table.mics.resize(count);
    return table;
}

} // namespace

KitMemory::KitMemory() {
    for (std::size_t m = 0; m < kSumMics; ++m) names_[m] = name_of(m);
}

void KitMemory::read(const dsp::Json& state) {
    const auto names = names_in(state);
    const auto bounce = bounce_settings_in(state);
    dsp::KitKeyTable table;
    bool of_others = false;
    if (const auto bleed = state.find("bleed"); bleed != state.end()) {
        try {
            table = first_mics(dsp::read_kit_key(*bleed, "bleed", names));
        } catch (const dsp::SettingsError&) {
            of_others = true;
        }
    }
    const std::lock_guard lock(mutex_);
    std::copy_n(names.begin(), kSumMics, names_.begin());
    bounce_ = bounce;
    of_others_ = of_others;
    ++version_;
    set(std::move(table));
}

void KitMemory::write(dsp::Json& state) const {
    const std::lock_guard lock(mutex_);
    for (std::size_t m = 0; m < kSumMics; ++m) {
        dsp::Json named = {{"name", names_[m]}};
        named.update(state["mics"][m]);
        if (bounce_[m] != dsp::OfflineSettings{} && has_drum(state["mics"][m]))
            named.update(dsp::to_json(bounce_[m]));
        state["mics"][m] = std::move(named);
    }
    if (!table_.mics.empty()) state["bleed"] = dsp::to_json(table_, names_);
}

bool KitMemory::learned(const dsp::KitKeyTable& table, std::uint64_t version) {
    const std::lock_guard lock(mutex_);
    if (version != version_) return false;
    of_others_ = false;
    set(table);
    return true;
}

std::uint64_t KitMemory::version() const {
    const std::lock_guard lock(mutex_);
    return version_;
}

KitMemory::Names KitMemory::names() const {
    const std::lock_guard lock(mutex_);
    return names_;
}

double KitMemory::known() const {
    const std::lock_guard lock(mutex_);
    const auto known =
        std::count_if(table_.mics.begin(), table_.mics.end(), [](const auto& mic) { return mic.known; });
    return of_others_ ? kKitOfOthers : static_cast<double>(known);
}

void KitMemory::set(dsp::KitKeyTable table) {
    table_ = std::move(table);
    handover_.give(std::make_unique<const dsp::KitKeyTable>(table_));
}

} // namespace kitfold::plugins
