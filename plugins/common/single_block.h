#pragma once
// A plug-in whose controls are one block of settings.
#include "common/processor.h"
#include <nlohmann/json.hpp>

namespace kitfold::plugins {

template <class Settings> class SingleBlock : public Processor {
protected:
    using Processor::Processor;

    void write_blocks(dsp::Json& state, std::span<const double> values) const override {
        state[std::string(dsp::block_key<Settings>())] = dsp::to_json(to_settings<Settings>(values));
    }
    bool read_blocks(const dsp::Json& state, std::span<double> values) const override {
        const auto block = dsp::find_block<Settings>(state).json;
        if (block == nullptr || !block->is_object()) return false;
        auto settings = to_settings<Settings>(values);
        dsp::read_leniently(*block, settings);
        to_values(settings, values);
        return true;
    }
};

} // namespace kitfold::plugins
