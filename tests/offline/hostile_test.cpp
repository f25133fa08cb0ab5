// Files, names and places that nobody should give the program: each is worth one line, and costs neither time
// nor memory nor what is there already.
#include "files.h"
#include "offline/check/apply_fixes.h"
#include "offline/demo/demo.h"
#include "offline/session/presets.h"
#include "offline/util/errors.h"
#include "run_program.h"
#include <catch2/catch.hpp>
#include <csignal>
#include <nlohmann/json.hpp>
#include <sys/stat.h>

using namespace kitfold;
using namespace kitfold::test;
using Catch::Contains;
using Json = nlohmann::ordered_json;
namespace fs = std::filesystem;

namespace {

constexpr int kWav24 = SF_FORMAT_WAV | SF_FORMAT_PCM_24, kWavFloat = SF_FORMAT_WAV | SF_FORMAT_FLOAT;

/// Far more processor time than any of these takes, so that one that never ends fails here.
const std::string kEnds = "ulimit -t 60; exec \"$0\" \"$@\"";

Json two_mics(const std::string& first, const std::string& second) {
    return {{"kitfold_session", 1},
            {"mics",
             {{{"name", "Kick in"}, {"role", "kick_in"}, {"file", first}},
              {{"name", "Snare"}, {"role", "snare_top"}, {"file", second}}}}};
}

/// A folder with a session of two mics, one of which is as the test leaves it.
class Take {
public:
    Take() {
        write_sound(folder / "good.wav", sine(60.0, 0.5, 0.5), kWav24);
        write_sound(folder / "odd.wav", sine(200.0, 0.25, 0.5), kWav24);
        save(two_mics("good.wav", "odd.wav"));
    }
    void save(const Json& session) const { write_text(folder / "session.json", session.dump()); }
    [[nodiscard]] fs::path odd() const { return folder / "odd.wav"; }
    [[nodiscard]] std::string path() const { return folder.path().string(); }
    Folder folder;
};

/// One line on stderr, within 256 MiB.
std::string one_line(const std::vector<std::string>& arguments, int exit_code = 2,
                     const std::vector<std::string>& environment = {}) {
    const auto run = run_in_shell(kEnds, arguments, environment);
    CAPTURE(arguments, run.err);
    CHECK(run.exit_code == exit_code);
    CHECK(run.out.empty());
    CHECK(run.err_lines() == 1);
    CHECK(run.err.size() < 1'100);
    CHECK(run.peak_kib < 256 * 1024);
    return run.err;
}

/// What every command says of a take in whose way something is; nothing is written.
void each_command_says(const Take& take, const std::string& expected) {
    const auto before = entries_in(take.folder);
    const auto session = bytes_of_file(take.folder / "session.json");
    CHECK_THAT(one_line({"check", take.path(), "--apply", "--report", (take.folder / "r.html").string()}),
               Contains(expected));
    CHECK_THAT(one_line({"bounce", take.path(), "-o", (take.folder / "mix.wav").string(), "--stems",
                         (take.folder / "new/stems").string()}),
               Contains(expected));
    CHECK(entries_in(take.folder) == before);
    CHECK(bytes_of_file(take.folder / "session.json") == session);
}

void make_fifo(const fs::path& path) {
    fs::remove(path);
    REQUIRE(::mkfifo(path.c_str(), 0600) == 0);
}

unsigned mode_of(const fs::path& path) { return static_cast<unsigned>(fs::status(path).permissions()); }

/// Big-endian, as FLAC has it.
void put_number(std::string& bytes, std::size_t at, int count, std::uint64_t value) {
    for (int n = 0; n < count; ++n)
        bytes[at + static_cast<std::size_t>(n)] = static_cast<char>(value >> 8 * (count - 1 - n));
}

} // namespace

TEST_CASE("samples far over full scale are refused with their place", "[hostile]") {
    const Take take;
    const auto [db, words] =
        GENERATE(std::pair{90.31, "+90 dBFS at 0.0"}, std::pair{600.0, "+600 dBFS at 0.0"});
    auto x = sine(200.0, 1.0, 0.5);
    for (float& sample : x) sample *= static_cast<float>(std::pow(10.0, db / 20.0));
    write_sound(take.odd(), x, kWavFloat);
    each_command_says(take, words);
}

TEST_CASE("a take in floats that goes far over full scale keeps a session that reads again", "[hostile]") {
    Folder folder;
    offline::DemoRequest request;
    request.folder = folder / "take", request.kit.seconds = 3.0, request.kit.mics = 8;
    offline::write_demo(request);
    for (const auto& file : fs::directory_iterator(request.folder))
        if (file.path().extension() == ".wav") {
            auto x = read_sound(file.path());
            for (float& sample : x) sample *= 500.0f; // +54 dB
            write_sound(file.path(), x, kWavFloat);
        }
    const auto run = run_program({"check", request.folder.string(), "--apply"});
    CAPTURE(run.err);
    CHECK(run.exit_code <= 1);
    CHECK_NOTHROW(offline::load_session(request.folder));
}

TEST_CASE("a session is never left as one that can't be read", "[hostile]") {
    const Take take;
    const auto before = bytes_of_file(take.folder / "session.json");
    const auto session = offline::load_session(take.folder.path());
    CHECK_THROWS_WITH(
        offline::change_file(session, [](dsp::Json& json) { json["mics"][0]["level_db"] = 1e6; }),
        Contains("nothing was written") && Contains("mics[0].level_db"));
    CHECK(bytes_of_file(take.folder / "session.json") == before);
    CHECK(entries_in(take.folder) == 3);
}

TEST_CASE("pipes and devices are no files", "[hostile]") {
    SECTION("as a recording") {
        const Take take;
        make_fifo(take.odd());
        each_command_says(take, "odd.wav: is not a file");
    }
    SECTION("a device as a recording") {
        const Take take;
        take.save(two_mics("good.wav", "/dev/zero"));
        each_command_says(take, "/dev/zero: is not a file");
    }
    SECTION("as a session") {
        const Take take;
        make_fifo(take.folder / "session.json");
        CHECK_THAT(one_line({"check", take.path()}), Contains("session.json: is not a file"));
        CHECK_THAT(one_line({"check", "/dev/zero"}), Contains("/dev/zero: is not a file"));
    }
    SECTION("as a preset") {
        Folder presets;
        fs::create_directory(presets / "filters");
        make_fifo(presets / "filters/a.json");
        CHECK_THAT(one_line({"presets", "list"}, 2, {"KITFOLD_PRESETS=" + presets.path().string()}),
                   Contains("a.json: is not a file"));
    }
}

TEST_CASE("JSON of a size that no session has is refused at once", "[hostile]") {
    const Take take;
    std::string text = "{";
    SECTION("300,000 keys") {
        for (int n = 0; n < 300'000; ++n) text += "\"key" + std::to_string(n) + "\":1,";
        write_text(take.folder / "session.json", text + "\"z\":1}");
        CHECK_THAT(one_line({"check", take.path()}), Contains("more than 1000 keys"));
    }
    SECTION("four million values") {
        text = "[1";
        for (int n = 0; n < 4'000'000; ++n) text += ",1";
        write_text(take.folder / "session.json", text + "]");
        CHECK_THAT(one_line({"check", take.path()}), Contains("more than 1000000 values"));
    }
    SECTION("100,000 levels") {
        write_text(take.folder / "session.json", std::string(100'000, '['));
        CHECK_THAT(one_line({"check", take.path()}), Contains("nested deeper than 32"));
    }
    SECTION("4,000 mics") {
        auto session = two_mics("good.wav", "odd.wav");
        for (int n = 2; n < 4'000; ++n) {
            auto mic = session["mics"][1];
            mic["name"] = "Mic " + std::to_string(n);
            session["mics"].push_back(mic);
        }
        take.save(session);
        CHECK_THAT(one_line({"check", take.path()}),
                   Contains("mics has 4000 entries, but must have 1 to 32"));
    }
}

TEST_CASE("a header with zeros behind it, as a crash leaves it, is told at once", "[hostile]") {
    const Take take;
    std::string header = bytes_of_file(take.odd()).substr(0, 12);
    SECTION("no chunk") {}
    SECTION("empty chunks without end") {
        for (int n = 0; n < 400'000; ++n) header += std::string("abcd\0\0\0\0", 8);
    }
    write_text(take.odd(), header);
    fs::resize_file(take.odd(), std::uintmax_t{64} << 20);
    each_command_says(take, "odd.wav: has a header, but no sound");
    fs::remove(take.folder / "session.json");
    const auto run = run_in_shell(kEnds, {"new", take.path()});
    CHECK(run.exit_code == 0);
    CHECK_THAT(run.out, Contains("left out") && Contains("odd.wav: has a header, but no sound"));
}

TEST_CASE("a FLAC that promises more than it can hold is refused before it is read", "[hostile]") {
    const Take take;
    write_sound(take.folder / "odd.flac", sine(200.0, 0.25, 0.5), SF_FORMAT_FLAC | SF_FORMAT_PCM_24);
    auto bytes = bytes_of_file(take.folder / "odd.flac");
    REQUIRE(bytes.substr(0, 4) == "fLaC");
    const auto rest = static_cast<unsigned char>(bytes[21]) & 0xf0u; // bits a sample share the byte
    put_number(bytes, 21, 5, std::uint64_t{rest} << 32 | 1'000'000'000u);
    write_text(take.folder / "odd.flac", bytes);
    take.save(two_mics("good.wav", "odd.flac"));
    each_command_says(take, "odd.flac: is cut short: its header promises 1000000000 samples");
}

TEST_CASE("time references that no take has are refused", "[hostile]") {
    const Take take;
    const auto reference = GENERATE(std::uint64_t{1} << 40, std::uint64_t{1} << 62, std::uint64_t{1} << 63);
    for (const auto& [name, at] : {std::pair{"good.wav", std::uint64_t{0}}, {"odd.wav", reference}}) {
        SF_INFO info{};
        info.samplerate = 48'000, info.channels = 1, info.format = kWav24;
        SNDFILE* file = sf_open((take.folder / name).c_str(), SFM_WRITE, &info);
        SF_BROADCAST_INFO bext{};
        bext.version = 1;
        bext.time_reference_low = static_cast<std::uint32_t>(at);
        bext.time_reference_high = static_cast<std::uint32_t>(at >> 32);
        REQUIRE(sf_command(file, SFC_SET_BROADCAST_INFO, &bext, sizeof bext) == SF_TRUE);
        const auto x = sine(60.0, 0.5, 0.5);
        sf_write_float(file, x.data(), std::ssize(x));
        sf_close(file);
    }
    each_command_says(take, "was never recorded at the same time as another mic");
}

TEST_CASE("a session keeps who may read and write it, and so does its backup", "[hostile]") {
    const Take take;
    const auto file = take.folder / "session.json";
    const unsigned mode = GENERATE(0600u, 0444u, 0640u);
    fs::permissions(file, static_cast<fs::perms>(mode));
    const auto session = offline::load_session(file);
    const auto backup =
        offline::change_file(session, [](dsp::Json& json) { json["mics"][0]["level_db"] = -3; });
    REQUIRE(backup);
    CHECK(bytes_of_file(file) != bytes_of_file(*backup));
    CHECK(mode_of(file) == mode);
    CHECK(mode_of(*backup) == mode);
}

TEST_CASE("a preset in the wrong folder", "[hostile]") {
    Folder presets;
    fs::copy(offline::presets_folder(), presets.path(), fs::copy_options::recursive);
    const std::vector<std::string> environment = {"KITFOLD_PRESETS=" + presets.path().string()};
    const std::string gate = R"({"kitfold_preset": 1, "title": "t", "about": "a", "gate": {}})";
    SECTION("a gate by the name of the kick that is alone") {
        fs::remove(presets / "filters/kick_alone.json");
        for (const auto& kit :
             fs::directory_iterator(presets / "kit")) // which would name the kick that is gone
            if (bytes_of_file(kit.path()).find("kick_alone") != std::string::npos) fs::remove(kit.path());
        write_text(presets / "gate/kick_alone.json", gate);
        Folder folder;
        write_sound(folder / "kick.wav", sine(60.0, 0.5, 0.5), kWav24);
        const auto run = run_program({"new", folder.path().string()}, environment);
        CAPTURE(run.err);
        CHECK(run.exit_code == 0);
    }
    SECTION("a gate by the name of a kit") {
        fs::remove(presets / "kit/kit_ten.json");
        write_text(presets / "gate/kit_ten.json", gate);
        const auto all = offline::load_presets(presets.path());
        CHECK_THROWS_WITH(offline::find_preset(all, "kit_ten", "kit"),
                          Contains("kit_ten is a preset of gate, but one of kit is needed"));
    }
}

TEST_CASE("names say nothing to a terminal", "[hostile]") {
    const auto quiet = [](const ProgramRun& run) {
        for (const auto& text : {run.out, run.err})
            for (const char* raw : {"\033", "\xC2\x9B", "\xE2\x80\xAE", "\xFF"})
                CHECK(text.find(raw) == std::string::npos);
    };
    const std::string odd = "a\033[2Jb\xC2\x9B"
                            "2Jc\xE2\x80\xAE"
                            "d\xFF"
                            "e";
    Folder folder;
    SECTION("folders, outputs, errors") {
        const auto take = folder / odd;
        fs::create_directory(take);
        write_sound(take / "kick in.wav", sine(60.0, 0.5, 0.5), kWav24);
        write_sound(take / (odd + ".wav"), sine(200.0, 0.25, 0.5), kWav24);
        const auto made = run_program({"new", take.string()});
        CHECK(made.exit_code == 0);
        CHECK_THAT(made.out, Contains("a?[2Jb?2Jc?d?e"));
        quiet(made);
        quiet(run_program({"check", take.string()}));
        quiet(run_program({"bounce", take.string(), "-o", (take / ("m" + odd + ".wav")).string()}));
        quiet(run_program({"bounce", take.string(), "-o", (take / ("n" + odd + ".wav")).string(), "--json"}));
        quiet(run_program({"bounce", take.string(), "-o", (take / (odd + ".ogg")).string()}));
        quiet(run_program({"check", (take / odd).string()}));
    }
    SECTION("mics and presets") {
        const std::string named = "Kick \xC2\x9B"
                                  "2J\xE2\x80\xAE";
        const Take take;
        auto session = two_mics("good.wav", "odd.wav");
        session["mics"][0]["name"] = named;
        take.save(session);
        quiet(run_program({"check", take.path()}));
        const auto json = run_program({"check", take.path(), "--json"});
        quiet(json);
        CHECK(Json::parse(json.out)["mics"][0]["name"] == named); // the same name for a machine
        fs::create_directory(folder / "kick");
        write_text(
            folder / "kick/a.json",
            Json{{"kitfold_preset", 1}, {"title", named}, {"about", named}, {"kick", Json::object()}}.dump());
        const std::vector<std::string> environment = {"KITFOLD_PRESETS=" + folder.path().string()};
        quiet(run_program({"presets", "list"}, environment));
        quiet(run_program({"presets", "show", "a"}, environment));
    }
}

TEST_CASE("links that lead nowhere, names without end, no memory", "[hostile]") {
    const Take take;
    SECTION("a circle as a recording") {
        fs::remove(take.odd());
        fs::create_symlink("odd.wav", take.odd());
        each_command_says(take, "odd.wav: is a link that leads round in a circle");
    }
    SECTION("a circle as an output") {
        fs::create_symlink("mix.wav", take.folder / "mix.wav");
        CHECK_THAT(one_line({"bounce", take.path(), "-o", (take.folder / "mix.wav").string()}),
                   Contains("mix.wav: is a link that leads nowhere"));
    }
    SECTION("a name of 4,000 bytes") {
        one_line({"check", std::string(4'000, 'n')});
        one_line({"bounce", take.path(), "-o", (take.folder / std::string(3'900, 'n')).string() + ".wav"}, 3);
    }
#if !defined(__SANITIZE_ADDRESS__)
    SECTION("no memory") {
        int refused = 0;
        for (int kib = 16'000; kib <= 48'000; kib += 4'000) { // from too little to load the program to enough
            const auto run = run_in_shell("ulimit -v " + std::to_string(kib) + "; exec \"$0\" \"$@\"",
                                          {"check", take.path()});
            if (run.exit_code == 127 || run.exit_code <= 1) continue;
            // FFTW ends the program itself where another thread took the memory that was there a moment
            // before
            if (run.exit_code == 128 + SIGABRT && run.err.starts_with("fftw: ")) continue;
            CAPTURE(kib, run.err);
            CHECK(run.exit_code == 3);
            CHECK(run.err_lines() == 1);
            CHECK_THAT(run.err, Contains("memory"));
            ++refused;
        }
        CHECK(refused > 0);
    }
#endif
}

TEST_CASE("a session may name files outside of its folder, but nothing is written there", "[hostile]") {
    const Take take;
    SECTION("a file that is no recording") {
        take.save(two_mics("good.wav", "../../../../../../../../../etc/passwd"));
        each_command_says(take, "passwd: is not audio");
    }
    SECTION("a stem by such a name") {
        auto session = two_mics("good.wav", "odd.wav");
        session["mics"][0]["name"] = "../../../kick", session["mics"][1]["name"] = "..";
        take.save(session);
        fs::create_directory(take.folder / "out");
        const auto run = run_program({"bounce", take.path(), "-o", (take.folder / "out/mix.wav").string(),
                                      "--stems", (take.folder / "out").string()});
        CHECK(run.exit_code == 0);
        CHECK(fs::exists(take.folder / "out/01 .._.._.._kick.wav"));
        CHECK(fs::exists(take.folder / "out/02 ...wav"));
        CHECK(entries_in(take.folder) == 3 + 1 + 5); // two stems, the submix and its two sheets
    }
}

TEST_CASE("odd recordings", "[hostile]") {
    const Take take;
    SECTION("no frames") {
        write_sound(take.odd(), {}, kWav24);
        each_command_says(take, "odd.wav: has no samples in it");
    }
    SECTION("more than 384 kHz") {
        write_sound(take.odd(), sine(200.0, 0.25, 0.1), kWav24, 768'000);
        each_command_says(take, "odd.wav: has a rate of 768000 Hz");
    }
    SECTION("384 kHz") {
        for (const char* name : {"good.wav", "odd.wav"})
            write_sound(take.folder / name, sine(200.0, 0.25, 0.25, 384'000.0), kWav24, 384'000);
        CHECK(run_in_shell(kEnds, {"check", take.path()}).exit_code <= 1);
        CHECK(run_program({"bounce", take.path(), "-o", (take.folder / "m.wav").string()}).exit_code == 0);
    }
    SECTION("64 channels") {
        std::vector<float> x(64 * 480);
        for (std::size_t n = 0; n < x.size(); ++n) x[n] = static_cast<float>(n % 64) / 100.0f;
        write_sound(take.odd(), x, kWav24, 48'000, 64);
        fs::remove(take.folder / "session.json");
        CHECK_THAT(one_line({"new", take.path()}),
                   Contains("channels of audio, but a session takes 32 mics"));
    }
    SECTION("8 bits") {
        write_sound(take.odd(), sine(200.0, 0.25, 0.5), SF_FORMAT_WAV | SF_FORMAT_PCM_U8);
        CHECK(run_in_shell(kEnds, {"check", take.path()}).exit_code <= 1);
    }
    SECTION("not a number, all of it") {
        write_sound(take.odd(), std::vector<float>(24'000, std::nanf("")), kWavFloat);
        CHECK(run_in_shell(kEnds, {"check", take.path()}).exit_code <= 1);
        const auto run = run_program({"bounce", take.path(), "-o", (take.folder / "m.wav").string()});
        CHECK(run.exit_code == 0);
        CHECK_THAT(run.out, Contains("24000 samples of odd.wav are not numbers"));
        for (const float x : read_sound(take.folder / "m.wav")) REQUIRE(std::isfinite(x));
    }
}

TEST_CASE("stdout that takes nothing costs words, not the work", "[hostile]") {
    const Take take;
    fs::remove(take.folder / "session.json");
    const auto [shell, lost] = GENERATE(std::pair{"exec \"$0\" \"$@\" >/dev/full", "No space left"},
                                        std::pair{"exec \"$0\" \"$@\" >&-", "Bad file descriptor"});
    const auto made = run_in_shell(shell, {"new", take.path()});
    CHECK(made.exit_code == 0);
    CHECK(made.err_lines() == 1);
    CHECK_THAT(made.err, Contains(lost) && Contains("the files are written all the same"));
    CHECK(offline::load_session(take.path()).mics.size() == 2);
    const auto mix = take.folder / "mix.wav";
    const auto bounce = run_in_shell(shell, {"bounce", take.path(), "-o", mix.string()});
    CHECK(bounce.exit_code == 0);
    CHECK(read_sound(mix).size() == 2 * 24'000);
    const auto list = run_in_shell(shell, {"presets", "list"}); // where the words are all that was asked for
    CHECK(list.exit_code == 3);
    CHECK(list.err_lines() == 1);
}
