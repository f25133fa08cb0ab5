// `new` on a folder whose names tell nothing or half: the demo's recordings under the names that a recorder
// gives.
#include "offline/files.h"
#include "offline/run_program.h"
#include "offline/session/session.h"
#include "settings/parameters.h"
#include "synth/simulator.h"
#include "take/drums.h"
#include <catch2/catch.hpp>
#include <map>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Contains;

namespace {

namespace fs = std::filesystem;

/// A simulated take in files that a recorder named.
class Tracks {
public:
    /// @param named this many keep the names of their roles
    explicit Tracks(std::size_t named = 0) {
        dsp::SimulatorOptions options;
        options.seed = 99;
        const dsp::Simulator simulator(options);
        const auto samples = simulator.render();
        for (std::size_t n = 0; n < samples.size(); ++n) {
            const auto role = simulator.mics()[n].role;
            const auto name = n < named ? std::string(dsp::token(role))
                                        : "Track " + std::to_string(10 + (7 * n) % samples.size());
            truth_[name + ".wav"] = role;
            write_sound(folder / (name + ".wav"), samples[n], SF_FORMAT_WAV | SF_FORMAT_PCM_24);
        }
    }
    [[nodiscard]] fs::path path() const { return folder.path(); }
    [[nodiscard]] dsp::Role truth(const std::string& file) const { return truth_.at(file); }
    [[nodiscard]] std::string file_of(dsp::Role role) const {
        for (const auto& [file, is] : truth_)
            if (is == role && file.starts_with("Track")) return file;
        return {};
    }

private:
    Folder folder;
    std::map<std::string, dsp::Role> truth_;
};

} // namespace

TEST_CASE("tracks with numbers for names get roles by their sound, shown as guesses",
          "[new][roles][program]") {
    const Tracks tracks;
    const auto run = run_program({"new", tracks.path().string()});
    REQUIRE(run.exit_code == 0);
    CHECK(run.err.empty());
    CHECK_THAT(run.out,
               Contains("(guess by sound, fairly sure)") && Contains("left is the side of the hi-hat"));
    CHECK_THAT(run.out, !Contains("No file name tells"));
    const auto session = load_session(tracks.path());
    REQUIRE(session.mics.size() == 10);
    std::size_t right = 0;
    for (const auto& mic : session.mics) {
        CAPTURE(mic.file);
        const bool is = mic.role == tracks.truth(mic.file.string());
        right += is ? 1 : 0;
        CHECK((is || mic.role == dsp::Role::other));
    }
    CHECK(right >= 9);
}

TEST_CASE("what names and a person say goes before the sound", "[new][roles][program]") {
    const Tracks tracks(2); // the kick mics keep their names
    const auto snare = tracks.file_of(dsp::Role::snare_top), tom = tracks.file_of(dsp::Role::rack_tom),
               room = tracks.file_of(dsp::Role::room_mono);
    write_sound(tracks.path() / tom, std::vector<float>(48'000 * 30, 0.0f), SF_FORMAT_WAV | SF_FORMAT_PCM_16);
    fs::rename(tracks.path() / room, tracks.path() / "Cowbell.wav");
    const auto run = run_program({"new", tracks.path().string(), "--json", "--role", snare + "=ride"});
    REQUIRE(run.exit_code == 0);
    const auto session = dsp::Json::parse(run.out);
    for (const auto& mic : session["mics"]) {
        const std::string file = mic["file"], role = mic["role"], note = mic["note"];
        CAPTURE(file, role, note);
        if (file == snare) {
            CHECK((role == "ride" && note == "as you said"));
        } else if (file == tom) {
            CHECK(role == "other");
            CHECK_THAT(note, Contains("nothing is struck in it; say it: --role \"" + tom + "=ROLE\""));
        } else if (file == "Cowbell.wav") { // whatever it is, a word that nobody here knows is no number
            CHECK_THAT(note, !Contains("fairly sure"));
        } else if (tracks.truth(file) == dsp::Role::snare_bottom && role == "snare_top") {
            CHECK_THAT(note, !Contains("fairly sure")); // alone, since the other head is said to be a ride
        } else if (file.starts_with("Track")) {
            CHECK((role == dsp::token(tracks.truth(file)) || role == "other"));
        } else {
            CHECK(role == dsp::token(tracks.truth(file)));
            CHECK_THAT(note, !Contains("sound"));
        }
    }
}

TEST_CASE("the tracks of one file with many channels are told apart", "[new][roles][program]") {
    const Tracks tracks;
    std::vector<std::vector<float>> channels;
    std::vector<dsp::Role> roles;
    for (const auto role :
         {dsp::Role::overhead_left, dsp::Role::snare_top, dsp::Role::kick_in, dsp::Role::overhead_right}) {
        channels.push_back(read_sound(tracks.path() / tracks.file_of(role)));
        roles.push_back(role);
    }
    Folder folder;
    std::vector<float> wide;
    for (std::size_t n = 0; n < channels[0].size(); ++n)
        for (const auto& c : channels) wide.push_back(c[n]);
    write_sound(folder / "Recorder.wav", wide, SF_FORMAT_WAV | SF_FORMAT_PCM_24, 48'000, 4);
    const auto run = run_program({"new", folder.path().string()});
    REQUIRE(run.exit_code == 0);
    std::size_t pair = 0; // nothing in this kit tells which of them is left
    for (const auto& mic : load_session(folder.path()).mics) {
        const auto truth = roles[std::size_t(mic.channel - 1)];
        if (dsp::is_overhead(truth))
            pair += dsp::is_overhead(mic.role) ? 1 : 0;
        else
            CHECK(mic.role == truth);
    }
    CHECK(pair == 2);
}
