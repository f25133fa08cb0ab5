// The LV2 bundles' data files, as the tools of the specification read them.
#include "bundles.h"
#include "common/presets.h"
#include "support.h"
#include <array>
#include <catch2/catch.hpp>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <sstream>

using namespace kitfold::plugins;
using namespace kitfold::plugins::test;
namespace fs = std::filesystem;

namespace {

/// What a command prints, errors too.
std::string output_of(const std::string& command) {
    std::string out;
    FILE* pipe = popen((command + " 2>&1").c_str(), "r");
    REQUIRE(pipe != nullptr);
    std::array<char, 4096> part{};
    while (const auto count = fread(part.data(), 1, part.size(), pipe)) out.append(part.data(), count);
    pclose(pipe);
    return out;
}

std::string validated(const fs::path& bundle) {
    return output_of("lv2_validate '" + (bundle / "manifest.ttl").string() + "' '" +
                     (bundle / "dsp.ttl").string() + "'");
}

std::string read(const fs::path& path) {
    std::ifstream in(path);
    std::ostringstream text;
    text << in.rdbuf();
    return text.str();
}

bool has(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }

std::string uri(const Bundle& bundle) {
    std::string name = bundle.name;
    for (auto& c : name) c = static_cast<char>(std::tolower(c));
    return "https://kitfold.example/plugins/" + name;
}

} // namespace

TEST_CASE("LV2 data: valid, and really read", "[plugins]") {
    const auto bundle = GENERATE(from_range(std::begin(kLv2), std::end(kLv2)));
    CAPTURE(bundle.name);
    const auto said = validated(bundle.path);
    CHECK(has(said, "Found 0 errors"));
    CHECK_FALSE(has(said, bundle.name)); // "Skipping file …" is how it passes what it did not read
    for (const char* file : {"manifest.ttl", "dsp.ttl"}) {
        const auto triples =
            output_of("sordi -i turtle -o ntriples 'file://" + (fs::path(bundle.path) / file).string() + "'");
        CHECK(std::count(triples.begin(), triples.end(), '\n') > 5);
        CHECK_FALSE(has(triples, "error"));
    }
}

TEST_CASE("LV2 data: the validator would notice", "[plugins]") {
    const auto folder = fs::temp_directory_path() / ("kitfold-lv2-" + std::to_string(std::random_device{}()));
    fs::copy(kLv2[0].path, folder);
    auto text = read(folder / "dsp.ttl");
    text.erase(text.find("\tlv2:symbol"),
               text.find('\n', text.find("\tlv2:symbol")) - text.find("\tlv2:symbol"));
    std::ofstream(folder / "dsp.ttl") << text;
    CHECK(has(validated(folder), "Found 1 errors"));
    fs::remove_all(folder);
}

TEST_CASE("LV2 data: lilv lists ports, presets, controls and units", "[plugins]") {
    const auto bundle = GENERATE(from_range(std::begin(kLv2), std::end(kLv2)));
    CAPTURE(bundle.name);
    const auto layout = kitfold::plugins::layout_of(bundle.plugin, bundle.channels);
    const auto info =
        output_of("LV2_PATH='" + fs::path(bundle.path).parent_path().string() + "' lv2info " + uri(bundle));
    CHECK(has(info, "Name:              " + std::string(layout.name)));
    for (const auto& input : layout.inputs) CHECK(has(info, "Name:        " + input));
    for (const auto& preset : factory_presets(bundle.plugin)) {
        const std::string json(preset.json);
        const auto at = json.find("\"title\": \"") + 10;
        CHECK(has(info, json.substr(at, json.find('"', at) - at)));
    }
    const auto data = read(fs::path(bundle.path) / "dsp.ttl");
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls) {
            const auto at = data.find("plug:" + control.id + "\n");
            REQUIRE(at != std::string::npos);
            const auto paragraph = data.substr(at, data.find("\n\n", at) - at);
            CAPTURE(control.id);
            CHECK(has(paragraph, "rdfs:label \"" + control.name + "\""));
            const auto& p = *control.parameter;
            if (p.unit == "Hz") CHECK(has(paragraph, "units:unit units:hz"));
            if (p.unit == "ms") CHECK(has(paragraph, "units:unit units:ms"));
            if (p.unit == "dB" && p.choices.empty()) CHECK(has(paragraph, "units:unit units:db"));
            for (const auto& choice : p.choices)
                CHECK(has(paragraph, "rdfs:label \"" + std::string(choice.label) + "\""));
        }
    for (const auto& meter : layout.meters) { // shown, not set
        const auto writable = data.substr(data.find("patch:writable"),
                                          data.find("patch:readable") - data.find("patch:writable"));
        CHECK_FALSE(has(writable, meter.id));
        CHECK(has(data.substr(data.find("patch:readable")), "plug:" + meter.id));
    }
}

TEST_CASE("LV2 data: no audio port may be left unconnected", "[plugins]") {
    // JUCE's wrapper would read through a null pointer; so no bus is optional
    for (const auto& bundle : kLv2) {
        const auto data = read(fs::path(bundle.path) / "dsp.ttl");
        for (auto at = data.find("lv2:AudioPort"); at != std::string::npos;
             at = data.find("lv2:AudioPort", at + 1))
            CHECK_FALSE(has(data.substr(at, data.find("] ,", at) - at), "connectionOptional"));
        CHECK(has(read(fs::path(bundle.path) / "manifest.ttl"), "<" + uri(bundle) + ">"));
    }
}
