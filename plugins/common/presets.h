#pragma once
// The factory presets, which the build puts into the plug-ins.
#include <span>
#include <string_view>

namespace kitfold::plugins {

struct FactoryPreset {
    std::string_view file; ///< without folder and ending
    std::string_view json; ///< {"kitfold_preset": 1, "title": …, "about": …, "filters": {…}}
};

/// Presets of a plug-in by its name ("kick"), in the order of their files.
std::span<const FactoryPreset> factory_presets(std::string_view plugin) noexcept;

} // namespace kitfold::plugins
