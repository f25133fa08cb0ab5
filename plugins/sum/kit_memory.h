#pragma once
// What Sum knows of its mics beside its values: their names, the bleed between them that was learned, and
// what a session says of them that only a bounce can do.
#include "common/layout.h"
#include "core/handover.h"
#include "settings/kit_key_table.h"
#include "settings/settings_json.h"
#include <array>
#include <cstdint>
#include <mutex>
#include <string>

namespace kitfold::plugins {

/// A mic's name is its session's, or "Mic 3". Any thread but the audio thread, which calls the last two
/// alone.
class KitMemory {
public:
    using Names = std::array<std::string, kSumMics>;
    KitMemory();

    /// Names, bleed and what a bounce does, of a state or a session, in place of what was known. A table that
    /// is damaged or speaks of mics that aren't there is not used.
    void read(const dsp::Json& state);
    /// "bleed", when there is any, each mic's "name" and what a bounce does to it. @pre state["mics"] has
    /// kSumMics objects
    void write(dsp::Json& state) const;

    /// What was learned, unless something else was read since `version`; tells whether it was taken.
    bool learned(const dsp::KitKeyTable& table, std::uint64_t version);
    [[nodiscard]] std::uint64_t version() const;

    [[nodiscard]] Names names() const;
    /// As the meter "Kit known" shows it.
    [[nodiscard]] double known() const;

    /// Audio thread: a new table or nullptr; the former one is not to be used any more.
    [[nodiscard]] const dsp::KitKeyTable* news() noexcept { return handover_.take(); }
    [[nodiscard]] bool has_news() const noexcept { return handover_.has_news(); }

private:
    void set(dsp::KitKeyTable table);

    mutable std::mutex mutex_;
    Names names_;
    std::array<dsp::OfflineSettings, kSumMics> bounce_{}; ///< kept for the session that it goes back to
    dsp::KitKeyTable table_;
    bool of_others_ = false; ///< a table was read that is not for these mics
    std::uint64_t version_ = 0;
    dsp::Handover<dsp::KitKeyTable> handover_;
};

} // namespace kitfold::plugins
