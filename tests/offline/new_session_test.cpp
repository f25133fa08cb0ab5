#include "offline/files.h"
#include "offline/run_program.h"
#include "offline/session/new_session.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Contains;

namespace {

constexpr int kWav16 = SF_FORMAT_WAV | SF_FORMAT_PCM_16;

void write_mic(const Folder& folder, const std::string& name, double peak = 0.4, int rate_hz = 48'000) {
    write_sound(folder / name, sine(100.0, peak, 0.1, rate_hz), kWav16, rate_hz);
}

/// Interleaved channels, the second with another note or the same one.
void write_stereo(const Folder& folder, const std::string& name, bool same) {
    const auto left = sine(100.0, 0.4, 0.1), right = same ? left : sine(150.0, 0.4, 0.1);
    std::vector<float> both;
    for (std::size_t n = 0; n < left.size(); ++n) both.push_back(left[n]), both.push_back(right[n]);
    write_sound(folder / name, both, kWav16, 48'000, 2);
}

NewSession proposed(const Folder& folder) {
    return propose_session(folder.path(), load_presets(KITFOLD_SOURCE_DIR "/presets"));
}

const Mic& mic_with(const NewSession& made, dsp::Role role) {
    for (const auto& mic : made.session.mics)
        if (mic.role == role) return mic;
    throw std::runtime_error("no such role");
}

} // namespace

TEST_CASE("a folder of ten mics becomes a session of ten mics", "[new]") {
    Folder folder;
    for (const auto* name : {"01-KIK IN.wav", "02-Kick Out.wav", "SN top.wav", "snr btm.wav", "RT1.wav",
                             "FT.wav", "HH.wav", "OH L.wav", "OHR.wav", "Room.wav"})
        write_mic(folder, name);
    const auto made = proposed(folder);
    CHECK(made.kit == "kit_ten");
    REQUIRE(made.session.mics.size() == 10);
    CHECK(made.session.mics[0].name == "Kick in");
    CHECK(made.session.mics[0].file == "01-KIK IN.wav");
    CHECK(mic_with(made, dsp::Role::snare_bottom).mix.polarity == dsp::Polarity::inverted);
    CHECK(mic_with(made, dsp::Role::overhead_left).mix.pan < 0.0);
    CHECK((mic_with(made, dsp::Role::rack_tom).gate && !mic_with(made, dsp::Role::overhead_left).gate));
    CHECK(made.session.bus);
    CHECK(made.rate_hz == 48'000);
    CHECK(made.seconds == Approx(0.1).epsilon(0).margin(1e-9));
    save_session(made.session, made.session.path); // what is made loads, strictly
    CHECK(to_json_text(load_session(folder.path())) == to_json_text(made.session));
}

TEST_CASE("settings follow the mics that are there", "[new]") {
    Folder folder;
    write_mic(folder, "Kick.wav");
    write_mic(folder, "Snare.wav");
    write_stereo(folder, "OH.wav", false);
    const auto four = proposed(folder);
    CHECK(four.kit == "kit_four");
    REQUIRE(four.session.mics.size() == 4);
    const auto& right = mic_with(four, dsp::Role::overhead_right);
    CHECK(right.file == "OH.wav");
    CHECK(right.channel == 2);
    const auto presets = load_presets(KITFOLD_SOURCE_DIR "/presets");
    const auto alone = std::get<dsp::KickSettings>(find_preset(presets, "kick_alone").content);
    CHECK(mic_with(four, dsp::Role::kick_in).filters == alone);
    write_mic(folder, "Kick Out.wav");
    CHECK_FALSE(mic_with(proposed(folder), dsp::Role::kick_in).filters == alone);
    CHECK_FALSE(mic_with(proposed(folder), dsp::Role::kick_out).filters == alone);
    CHECK(mic_with(proposed(folder), dsp::Role::kick_out).mix.role == dsp::Role::kick_out);
}

TEST_CASE("a gate's threshold follows the peak of its mic", "[new]") {
    Folder loud, soft, silent;
    write_mic(loud, "FT.wav", 0.4), write_mic(soft, "FT.wav", 0.04), write_mic(silent, "FT.wav", 0.0);
    const auto threshold = [](const Folder& f) {
        return mic_with(proposed(f), dsp::Role::floor_tom).gate->threshold_db;
    };
    CHECK(threshold(loud) - threshold(soft) == 20.0); // ten times softer
    CHECK(threshold(silent) == -22.0);                // the preset's own
}

TEST_CASE("stereo files, wide files and files that are no mics", "[new]") {
    Folder folder;
    write_stereo(folder, "HH.wav", true);
    write_stereo(folder, "Perc.wav", false);
    write_mic(folder, "Click.wav");
    std::vector<float> wide(4 * 4800);
    for (std::size_t n = 0; n < wide.size(); ++n) wide[n] = static_cast<float>(n % 4) * 0.1f;
    write_sound(folder / "Recorder.wav", wide, kWav16, 48'000, 4);
    const auto made = proposed(folder);
    REQUIRE(made.session.mics.size() == 1 + 2 + 1 + 4);
    CHECK(made.session.mics[0].role == dsp::Role::hihat);
    CHECK_THAT(made.mic_notes[0], Contains("channels are the same"));
    for (const auto& mic : made.session.mics) {
        CHECK(mic.mix.mute == (mic.name == "Click"));
        if (mic.name == "Recorder ch 4") CHECK(mic.channel == 4);
    }
    save_session(made.session, made.session.path);
    CHECK(load_session(folder.path()).mics.size() == 8);
}

TEST_CASE("what can't be used is left out with a notice", "[new]") {
    Folder folder;
    write_mic(folder, "Kick.wav");
    write_mic(folder, "Snare.wav", 0.4, 44'100);
    write_text(folder / "broken.wav", "RIFF and then nothing");
    write_text(folder / "._Kick.wav", "a file system's own");
    write_text(folder / "notes.txt", "no audio");
    write_mic(folder, "bad\nname.wav");
    write_mic(folder, "bad\xff.wav");
    std::filesystem::create_directory(folder / "old.wav");
    const auto made = proposed(folder);
    CHECK(made.session.mics.size() == 2);
    REQUIRE(made.notices.size() == 4);
    std::string all;
    for (const auto& notice : made.notices) all += notice + "\n";
    CHECK_THAT(all, Contains("broken.wav") && Contains("Kick.wav has 48000 Hz, Snare.wav has 44100 Hz"));
    CHECK(std::count(all.begin(), all.end(), '\n') == 4);
}

TEST_CASE("a person says what a file is where its name does not", "[new]") {
    Folder folder;
    write_mic(folder, "Track 01.wav");
    write_mic(folder, "Track 02.wav");
    write_stereo(folder, "Track 03.wav", false);
    const auto presets = load_presets(KITFOLD_SOURCE_DIR "/presets");
    const auto with = [&](const std::vector<std::string>& roles) {
        return propose_session(folder.path(), presets, roles);
    };
    const auto made = with({"Track 01.wav=kick_in", "Track 03.wav=overhead_left,overhead_right"});
    CHECK(mic_with(made, dsp::Role::kick_in).file == "Track 01.wav");
    CHECK(mic_with(made, dsp::Role::overhead_right).channel == 2);
    CHECK(mic_with(made, dsp::Role::other).file == "Track 02.wav");
    for (const auto& [given, said] : std::vector<std::pair<std::string, std::string>>{
             {"Track 01.wav=kik_in", "did you mean kick_in?"},
             {"Track 01.wav=xylophone", "is not a role"},
             {"Track 09.wav=kick_in", "Track 09.wav is not among the recordings"},
             {"kick_in", "write it as FILE=ROLE"},
             {"Track 03.wav=overhead_left", "has 2 mics, give it as many roles"}})
        CHECK_THROWS_WITH(with({given}), Contains(said));
}

TEST_CASE("what Kitfold bounced into the folder is no mic", "[new][program]") {
    Folder folder;
    write_mic(folder, "Kick.wav");
    write_mic(folder, "Snare.wav");
    REQUIRE(run_program({"new", folder.path().string()}).exit_code == 0);
    REQUIRE(
        run_program({"bounce", folder.path().string(), "-o", (folder / "tuesday.wav").string()}).exit_code ==
        0);
    std::filesystem::remove(folder / "session.json");
    const auto again = run_program({"new", folder.path().string()});
    CHECK(again.exit_code == 0);
    CHECK_THAT(again.out, Contains("2 mics") && Contains("left out tuesday.wav: Kitfold bounced it"));
}

TEST_CASE("a session whose mics nobody can tell apart says so before anything else", "[new][program]") {
    Folder folder;
    write_mic(folder, "Track 01.wav");
    write_mic(folder, "Track 02.wav");
    const auto run = run_program({"new", folder.path().string()});
    CHECK(run.exit_code == 0);
    CHECK_THAT(run.out, Catch::StartsWith("No file name tells which mic it is"));
    CHECK_THAT(run.out, Contains("then: kitfold check "));
}

TEST_CASE("other mics keep names of their own", "[new]") {
    Folder folder;
    for (const auto* name : {"Kick In.wav", "kick in.flac", "Kick In.aif", "a.wav", "A.flac"})
        write_sound(folder / name, sine(100.0, 0.4, 0.01),
                    SF_FORMAT_PCM_16 | (std::string(name).ends_with("flac")  ? SF_FORMAT_FLAC
                                        : std::string(name).ends_with("aif") ? SF_FORMAT_AIFF
                                                                             : SF_FORMAT_WAV));
    const auto made = proposed(folder);
    CHECK(made.session.mics.size() == 5);
    save_session(made.session, made.session.path);
    CHECK_NOTHROW(load_session(folder.path())); // refuses two mics of one name
}

TEST_CASE("kitfold new writes a session once", "[new][program]") {
    Folder folder;
    write_mic(folder, "KIK IN.wav");
    write_mic(folder, "Cowbell.wav");
    const auto audio = bytes_of_file(folder / "KIK IN.wav");
    const auto first = run_program({"new", folder.path().string()});
    CHECK(first.exit_code == 0);
    CHECK(first.err.empty());
    CHECK_THAT(first.out, Contains("kick_in") &&
                              Contains("nothing is struck in it; say it: --role \"Cowbell.wav=ROLE\""));
    CHECK(entries_in(folder) == 3);
    CHECK(bytes_of_file(folder / "KIK IN.wav") == audio);

    write_text(folder / "session.json", "mine");
    const auto second = run_program({"new", folder.path().string(), "--json"});
    CHECK(second.exit_code == 2);
    CHECK(second.out.empty());
    CHECK(second.err_lines() == 1);
    CHECK_THAT(second.err, Contains("session.json is there already"));
    CHECK(bytes_of_file(folder / "session.json") == "mine");

    std::filesystem::remove(folder / "session.json");
    const auto third = run_program({"new", "--json", folder.path().string()});
    CHECK(third.exit_code == 0);
    const auto json = dsp::Json::parse(third.out);
    CHECK(json["kitfold_new"] == 1);
    CHECK(json["mics"][0]["role"] == "kick_in");
    CHECK(json["mics"][0]["file"] == "KIK IN.wav");
    CHECK(json["mics"][1]["role"] == "other");
}

TEST_CASE("kitfold new refuses in one line and writes nothing", "[new][program]") {
    Folder empty, many;
    for (int i = 0; i < 33; ++i) write_mic(many, "mic" + std::to_string(i) + ".wav");
    write_text(empty / "notes.txt", "x");
    const std::vector<std::pair<std::vector<std::string>, std::string>> table = {
        {{"new"}, "DIR is required"},
        {{"new", "/nowhere/at/all"}, "/nowhere/at/all: no such folder"},
        {{"new", (empty / "notes.txt").string()}, "notes.txt is not a folder"},
        {{"new", empty.path().string()}, "no WAV, AIFF or FLAC files in this folder"},
        {{"new", many.path().string()}, "33 audio files, but a session takes 32 mics"},
    };
    for (const auto& [arguments, expected] : table) {
        const auto run = run_program(arguments);
        INFO(expected);
        CHECK(run.exit_code == 2);
        CHECK(run.out.empty());
        CHECK(run.err_lines() == 1);
        CHECK_THAT(run.err, Contains(expected));
    }
    CHECK(entries_in(empty) == 1);
    CHECK(entries_in(many) == 33);
}
