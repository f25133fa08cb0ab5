// The LV2 bundles in a host that shares no code with JUCE: lilv and the LV2 headers.
#include "bundles.h"
#include "support.h"
#include <catch2/catch.hpp>
#include <lilv/lilv.h>
#include <lv2/atom/forge.h>
#include <lv2/atom/util.h>
#include <lv2/buf-size/buf-size.h>
#include <lv2/options/options.h>
#include <lv2/patch/patch.h>
#include <lv2/presets/presets.h>
#include <lv2/urid/urid.h>
#include <map>
#include <thread>

using namespace kitfold;
using namespace kitfold::plugins;
using namespace kitfold::plugins::test;

namespace {

/// Text to number and back, as every LV2 host has it.
struct Names {
    std::map<std::string, LV2_URID> ids;
    std::vector<std::string> texts;

    static LV2_URID map(LV2_URID_Map_Handle self, const char* text) {
        auto& names = *static_cast<Names*>(self);
        const auto [found, fresh] =
            names.ids.try_emplace(text, static_cast<LV2_URID>(names.texts.size() + 1));
        if (fresh) names.texts.emplace_back(text);
        return found->second;
    }
    static const char* unmap(LV2_URID_Unmap_Handle self, LV2_URID id) {
        return static_cast<Names*>(self)->texts[id - 1].c_str();
    }
};

class Lv2Host {
public:
    static constexpr std::size_t kBlock = 256;

    explicit Lv2Host(const Bundle& bundle) : layout_(plugins::layout_of(bundle.plugin, bundle.channels)) {
        world_ = lilv_world_new();
        lilv_world_load_specifications(world_);
        auto* folder = lilv_new_file_uri(world_, nullptr, (std::string(bundle.path) + "/").c_str());
        lilv_world_load_bundle(world_, folder);
        lilv_node_free(folder);
        const auto* all = lilv_world_get_all_plugins(world_);
        REQUIRE(lilv_plugins_size(all) == 1);
        plugin_ = lilv_plugins_get(all, lilv_plugins_begin(all));
        uri_ = lilv_node_as_uri(lilv_plugin_get_uri(plugin_));
        instance_ = lilv_plugin_instantiate(plugin_, kRate, features_);
        REQUIRE(instance_ != nullptr);
        connect();
        lilv_instance_activate(instance_);
    }
    ~Lv2Host() {
        lilv_instance_deactivate(instance_);
        lilv_instance_free(instance_);
        lilv_world_free(world_);
    }
    Lv2Host(const Lv2Host&) = delete;
    Lv2Host& operator=(const Lv2Host&) = delete;

    [[nodiscard]] std::size_t inputs() const { return layout_.inputs.size(); }

    /// For the next block: patch:Set of a control, in ordinary numbers.
    void set(const std::string& id, float value) { changes_.emplace_back(uri_ + ":" + id, value); }

    Channels play(const Channels& in) {
        Channels out(layout_.outputs.size());
        for (std::size_t at = 0; at < in[0].size(); at += kBlock) {
            const auto frames = std::min(kBlock, in[0].size() - at);
            for (std::size_t c = 0; c < in.size(); ++c)
                std::copy_n(in[c].begin() + static_cast<std::ptrdiff_t>(at), frames, audio_[c].begin());
            write_changes();
            lilv_instance_run(instance_, static_cast<std::uint32_t>(frames));
            read_changes();
            for (std::size_t c = 0; c < out.size(); ++c)
                out[c].insert(out[c].end(), audio_[in.size() + c].begin(),
                              audio_[in.size() + c].begin() + static_cast<std::ptrdiff_t>(frames));
        }
        return out;
    }

    /// Last value of a control that the plug-in has told of; NaN: never.
    [[nodiscard]] double told(const std::string& id) const {
        const auto found = told_.find(uri_ + ":" + id);
        return found == told_.end() ? std::numeric_limits<double>::quiet_NaN() : found->second;
    }

    std::string save() {
        auto* state = lilv_state_new_from_instance(plugin_, instance_, &map_, nullptr, nullptr, nullptr,
                                                   nullptr, nullptr, nullptr, 0, nullptr);
        char* text =
            lilv_state_to_string(world_, &map_, &unmap_, state, "https://kitfold.example/saved", nullptr);
        std::string out = text;
        lilv_free(text);
        lilv_state_free(state);
        return out;
    }
    void restore(const std::string& text) {
        auto* state = lilv_state_new_from_string(world_, &map_, text.c_str());
        REQUIRE(state != nullptr);
        lilv_state_restore(state, instance_, nullptr, nullptr, 0, nullptr);
        lilv_state_free(state);
    }
    /// Applies every preset in turn and gives their labels.
    std::vector<std::string> try_presets() {
        auto* kind = lilv_new_uri(world_, LV2_PRESETS__Preset);
        auto* presets = lilv_plugin_get_related(plugin_, kind);
        std::vector<std::string> labels;
        LILV_FOREACH(nodes, i, presets) {
            const auto* preset = lilv_nodes_get(presets, i);
            lilv_world_load_resource(world_, preset);
            auto* state = lilv_state_new_from_world(world_, &map_, preset);
            REQUIRE(state != nullptr);
            labels.emplace_back(lilv_state_get_label(state));
            lilv_state_restore(state, instance_, nullptr, nullptr, 0, nullptr);
            lilv_state_free(state);
        }
        lilv_nodes_free(presets);
        lilv_node_free(kind);
        return labels;
    }
    [[nodiscard]] float latency() const { return latency_; }

private:
    void connect() {
        const auto port_count = lilv_plugin_get_num_ports(plugin_);
        const auto channels = layout_.inputs.size() + layout_.outputs.size();
        REQUIRE(port_count == channels + 5); // in and out events, latency, freeWheeling, enabled
        audio_.assign(channels, Signal(kBlock, 0.0f));
        for (std::uint32_t i = 0; i < channels; ++i)
            lilv_instance_connect_port(instance_, i, audio_[i].data());
        const auto at = static_cast<std::uint32_t>(channels);
        lilv_instance_connect_port(instance_, at, events_in_.data());
        lilv_instance_connect_port(instance_, at + 1, events_out_.data());
        lilv_instance_connect_port(instance_, at + 2, &latency_);
        lilv_instance_connect_port(instance_, at + 3, &free_wheeling_);
        lilv_instance_connect_port(instance_, at + 4, &enabled_);
    }

    void write_changes() {
        LV2_Atom_Forge forge;
        LV2_Atom_Forge_Frame sequence, object;
        lv2_atom_forge_init(&forge, &map_);
        lv2_atom_forge_set_buffer(&forge, events_in_.data(), events_in_.size());
        lv2_atom_forge_sequence_head(&forge, &sequence, 0);
        for (const auto& [property, value] : changes_) {
            lv2_atom_forge_frame_time(&forge, 0);
            lv2_atom_forge_object(&forge, &object, 0, id(LV2_PATCH__Set));
            lv2_atom_forge_key(&forge, id(LV2_PATCH__property));
            lv2_atom_forge_urid(&forge, id(property.c_str()));
            lv2_atom_forge_key(&forge, id(LV2_PATCH__value));
            lv2_atom_forge_float(&forge, value);
            lv2_atom_forge_pop(&forge, &object);
        }
        lv2_atom_forge_pop(&forge, &sequence);
        changes_.clear();
        const LV2_Atom room{static_cast<std::uint32_t>(events_out_.size() - sizeof(LV2_Atom)),
                            id(LV2_ATOM__Chunk)};
        std::memcpy(events_out_.data(), &room, sizeof room);
    }

    void read_changes() {
        const auto& sequence = *reinterpret_cast<const LV2_Atom_Sequence*>(events_out_.data());
        LV2_ATOM_SEQUENCE_FOREACH(&sequence, event) {
            const auto* object = reinterpret_cast<const LV2_Atom_Object*>(&event->body);
            if (object->body.otype != id(LV2_PATCH__Set)) continue;
            const LV2_Atom *property = nullptr, *value = nullptr;
            lv2_atom_object_get(object, id(LV2_PATCH__property), &property, id(LV2_PATCH__value), &value, 0);
            if (property == nullptr || value == nullptr || value->type != id(LV2_ATOM__Float)) continue;
            const auto urid = reinterpret_cast<const LV2_Atom_URID*>(property)->body;
            told_[Names::unmap(&names_, urid)] =
                static_cast<double>(reinterpret_cast<const LV2_Atom_Float*>(value)->body);
        }
    }

    LV2_URID id(const char* text) { return Names::map(&names_, text); }

    const Layout layout_;
    Names names_;
    LV2_URID_Map map_{&names_, Names::map};
    LV2_URID_Unmap unmap_{&names_, Names::unmap};
    std::int32_t longest_ = kBlock;
    LV2_Options_Option options_[2] = {{LV2_OPTIONS_INSTANCE, 0, id(LV2_BUF_SIZE__maxBlockLength),
                                       sizeof(std::int32_t), id(LV2_ATOM__Int), &longest_},
                                      {LV2_OPTIONS_INSTANCE, 0, 0, 0, 0, nullptr}};
    LV2_Feature map_feature_{LV2_URID__map, &map_}, unmap_feature_{LV2_URID__unmap, &unmap_};
    LV2_Feature options_feature_{LV2_OPTIONS__options, options_},
        bounded_{LV2_BUF_SIZE__boundedBlockLength, nullptr};
    const LV2_Feature* features_[5] = {&map_feature_, &unmap_feature_, &options_feature_, &bounded_, nullptr};
    LilvWorld* world_ = nullptr;
    const LilvPlugin* plugin_ = nullptr;
    LilvInstance* instance_ = nullptr;
    std::string uri_;
    std::vector<std::pair<std::string, float>> changes_;
    std::map<std::string, double> told_;
    Channels audio_;
    alignas(8) std::array<std::uint8_t, 65'536> events_in_{}, events_out_{};
    float latency_ = 0.0f, free_wheeling_ = 0.0f, enabled_ = 1.0f;
};

/// Settings that are plain in every unit, and what to send for them.
template <class Settings> std::vector<double> values_of(const Settings& settings) {
    std::vector<double> out;
    for (const auto& field : dsp::fields<Settings>()) out.push_back(field.of(settings));
    return out;
}

void send(Lv2Host& host, const Layout& layout, const std::vector<double>& values) {
    std::size_t i = 0;
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls)
            host.set(control.id, static_cast<float>(HostRange(*control.parameter).from_setting(values[i++])));
}

} // namespace

TEST_CASE("lilv host: numbers sent as patch:Set play as the DSP library does", "[plugins]") {
    const auto check = [](const Bundle& bundle, const std::vector<double>& values) {
        CAPTURE(bundle.name);
        Lv2Host host(bundle);
        send(host, plugins::layout_of(bundle.plugin, bundle.channels), values);
        auto in = bursts(host.inputs(), 6'000);
        if (std::string_view(bundle.plugin) == "gate" && bundle.channels == 1) in[2] = in[1];
        CHECK(first_difference(host.play(in), reference(bundle.plugin, bundle.channels, values, in, kRate)) ==
              kSame);
    };
    for (const auto& bundle : kLv2) {
        const std::string_view plugin = bundle.plugin;
        if (plugin == "kick") {
            check(bundle, values_of(dsp::KickSettings{.high_pass_hz = 41.3,
                                                      .high_pass_slope = dsp::Slope::db_18,
                                                      .shelf_db = -4.7,
                                                      .box_db = -9.1,
                                                      .box_q = 1.37,
                                                      .bleed_cut_hz = 5123,
                                                      .bleed_cut_slope = dsp::Slope::db_24,
                                                      .level_db = 2.2}));
        } else if (plugin == "gate") {
            check(bundle, values_of(dsp::GateSettings{.threshold_db = -21.4,
                                                      .attack_ms = 0.07,
                                                      .release_ms = 33,
                                                      .range_db = dsp::kOffDb,
                                                      .lookahead_ms = 1.5,
                                                      .key = dsp::GateKey::side_chain,
                                                      .key_high_pass_hz = 107,
                                                      .key_low_pass_hz = dsp::kFilterOff}));
        } else if (plugin == "bus") {
            check(bundle, values_of(dsp::BusSettings{.threshold_db = -33.3,
                                                     .ratio = dsp::kLimitRatio,
                                                     .release_ms = dsp::kProgrammeRelease,
                                                     .key_high_pass_hz = dsp::kFilterOff,
                                                     .key = dsp::GateKey::side_chain,
                                                     .blend = 0.7}));
        } else if (plugin == "damp") {
            auto values =
                values_of(dsp::DampSettings{.amount = 0.6, .high_db_per_s = 70, .tail_db_per_s = 20});
            values.push_back(2.0); // rings
            for (std::size_t ring = 0; ring < dsp::kRingBands; ++ring)
                for (const double v :
                     values_of(dsp::RingBand{.hz = 150.5 + 80.0 * static_cast<double>(ring)}))
                    values.push_back(v);
            values.push_back(0.0); // learn
            check(bundle, values);
        } else {
            auto values = values_of(
                dsp::SumSettings{.pan_law_db = dsp::PanLaw::db_4_5, .overhead_width = 0.8, .mono = false});
            for (std::size_t m = 0; m < kSumMics; ++m) {
                const double k = static_cast<double>(m);
                for (const double v :
                     values_of(dsp::MicSettings{.level_db = m == 3 ? dsp::kOffDb : -k,
                     .pan = plain(k / 10 - 0.8, 10.0),
                     .polarity = m % 2 == 1 ? dsp::Polarity::inverted : dsp::Polarity::normal,
                     .delay_ms = plain(0.137 * k, 1000.0),
                     .role = static_cast<dsp::Role>(m)}))
                    values.push_back(v);
            }
            for (std::size_t m = 0; m < kSumMics;
                 ++m) // choice, threshold, range, attack, hold, release, ahead
                for (const double v :
                     {m % 3 == 0   ? 1.0
                      : m % 3 == 1 ? 2.0
                                   : 0.0,
                      -21.4, m == 3 ? dsp::kOffDb : -30, 0.07, 15.0, 33.0, m == 1 ? 1.5 : 0.0})
                    values.push_back(v);
            values.push_back(0.0); // learn
            check(bundle, values);
        }
    }
}

TEST_CASE("lilv host: Damp learns by patch:Set and tells what it found", "[plugins]") {
    for (const auto& bundle : kLv2) {
        if (std::string_view(bundle.plugin) != "damp") continue;
        CAPTURE(bundle.name);
        Lv2Host host(bundle);
        const auto wait_for = [&](double state) {
            pump_until([&] {
                host.play(Channels(host.inputs(), Signal(256, 0.0f)));
                return host.told("learned") == state;
            });
            REQUIRE(host.told("learned") == state);
        };
        host.set("learn", 1.0f);
        wait_for(kLearnListening);
        host.play(Channels(host.inputs(), membrane(kRate, 5)));
        host.set("learn", 0.0f);
        wait_for(4.0); // rings
        CHECK(host.told("hits_heard") == 5.0);
        CHECK(host.told("rings") == 4.0);
        CHECK(host.told("ring_1_hz") == Approx(kMembraneHz).epsilon(0.02).margin(0));
        CHECK(host.told("ring_4_open_ring_ms") == Approx(kMembrane[3].ring_ms).epsilon(0.1).margin(0));
    }
}

TEST_CASE("lilv host: state and presets", "[plugins]") {
    for (const auto& bundle : kLv2) {
        CAPTURE(bundle.name);
        Lv2Host a(bundle), b(bundle);
        const auto labels = a.try_presets();
        CHECK(labels.size() == factory_presets(bundle.plugin).size() + 1);
        // whole hops of Damp's, which counts them from the first sample on: 32 samples at this rate
        const auto in = bursts(a.inputs(), 3'072);
        const auto plain = b.play(in);
        b.play(
            Channels(b.inputs(), Signal(96'000, 0.0f))); // two seconds: filters, hold and release are at rest
        b.restore(a.save());
        b.play(Channels(b.inputs(), Signal(96'000, 0.0f)));
        a.play(Channels(a.inputs(), Signal(96'000, 0.0f)));
        const auto first = a.play(in), second = b.play(in);
        // the filters' rests differ by far less than a bit of 24
        for (std::size_t c = 0; c < first.size(); ++c)
            for (std::size_t n = 0; n < first[c].size(); ++n)
                REQUIRE(std::abs(first[c][n] - second[c][n]) < 1e-7f);
    }
}

TEST_CASE("lilv host: broken states leave the present one", "[plugins]") {
    std::mt19937 random(3);
    for (const auto& bundle : kLv2) {
        CAPTURE(bundle.name);
        Lv2Host host(bundle);
        const auto good = host.save();
        // what the host keeps is the wrapper's text form of our JSON, in quotes
        const auto at = good.find('"', good.find("StateString")) + 1, end = good.find('"', at);
        REQUIRE(end > at + 40);
        for (int i = 0; i < 25; ++i) {
            auto cut = good, changed = good;
            const auto kept = random() % (end - at - 2);
            cut.erase(at + kept, end - at - kept);
            host.restore(cut);
            REQUIRE(host.save() == good);
            for (int k = 0; k < 20; ++k) changed[at + random() % (end - at)] = 'A';
            host.restore(changed);
            if (i % 5 == 0) CHECK(all_finite(host.play(bursts(host.inputs(), 256))));
            host.restore(good);
        }
        CHECK(host.save() == good);
    }
}

TEST_CASE("lilv host: look-ahead is in the latency port after the next block", "[plugins]") {
    for (const auto& bundle : kLv2) {
        if (std::string_view(bundle.plugin) != "gate") continue;
        Lv2Host host(bundle);
        host.play(bursts(host.inputs(), 256));
        CHECK(host.latency() == 0.0f);
        host.set("lookahead_ms", 2.0f);
        host.play(bursts(host.inputs(), 256));
        CHECK(host.latency() == 96.0f); // 2 ms at 48 kHz
    }
}

TEST_CASE("lilv host: numbers that make no sense", "[plugins]") {
    for (const auto& bundle : kLv2) {
        CAPTURE(bundle.name);
        Lv2Host host(bundle);
        const auto layout = plugins::layout_of(bundle.plugin, bundle.channels);
        const auto send_everywhere = [&](float value) {
            for (const auto& group : layout.groups)
                for (const auto& control : group.controls) host.set(control.id, value);
            CHECK(all_finite(host.play(bursts(host.inputs(), 2'000))));
        };
        const auto before = host.save();
        send_everywhere(std::numeric_limits<float>::quiet_NaN());
        CHECK(host.save() == before);
        send_everywhere(std::numeric_limits<float>::infinity());
        send_everywhere(-1e30f);
    }
}
