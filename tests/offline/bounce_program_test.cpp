// `kitfold bounce` as a person runs it: what goes wrong, what an interruption leaves, what it costs in
// memory.
#include "offline/files.h"
#include "offline/run_program.h"
#include <catch2/catch.hpp>
#include <chrono>
#include <csignal>
#include <nlohmann/json.hpp>
#include <sys/resource.h>
#include <thread>
#include <unistd.h>

using namespace kitfold::test;
using Catch::Matchers::Contains;
using Json = nlohmann::json;
namespace fs = std::filesystem;

namespace {

/// A folder with a session of two good mics, and the files that go wrong in the tests.
class Take {
public:
    Take() {
        const std::vector<float> sound = sine(100.0, 0.5, 0.5);
        write_sound(folder / "kick.wav", sound, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
        write_sound(folder / "snare.wav", sound, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
        use("kick.wav", "snare.wav");
    }
    void use(const std::string& first, const std::string& second) { write(two(first, second)); }
    void write(const Json& session) const { write_text(folder / "session.json", session.dump()); }
    static Json two(const std::string& first, const std::string& second) {
        return {{"kitfold_session", 1},
                {"mics", {{{"name", "Kick"}, {"file", first}}, {{"name", "Snare"}, {"file", second}}}}};
    }
    [[nodiscard]] std::string path(const std::string& name) const { return (folder / name).string(); }
    [[nodiscard]] ProgramRun bounce(std::vector<std::string> more) const {
        more.insert(more.begin(), {"bounce", folder.path().string()});
        return run_program(more);
    }

    Folder folder;
};

/// One line, the exit code, and the folder as it was before.
void check_refused(const Take& take, const std::vector<std::string>& arguments, int exit_code,
                   const std::vector<std::string>& words) {
    std::vector<std::pair<fs::path, std::string>> before;
    for (const auto& entry : fs::recursive_directory_iterator(take.folder.path()))
        if (entry.is_regular_file()) before.emplace_back(entry.path(), bytes_of_file(entry.path()));
    const std::size_t entries = entries_in(take.folder);
    const ProgramRun run = take.bounce(arguments);
    CHECK(run.exit_code == exit_code);
    CHECK(run.out.empty());
    CHECK(run.err_lines() == 1);
    for (const std::string& word : words) CHECK_THAT(run.err, Contains(word));
    CHECK(entries_in(take.folder) == entries);
    for (const auto& [path, bytes] : before) CHECK((bytes_of_file(path) == bytes));
}

/// 24 bit mono silence of any length that takes no room on the disk.
void write_long_silence(const fs::path& path, double seconds) {
    const auto data = static_cast<std::uint64_t>(seconds * 48'000) * 3;
    std::string head = "RIFF";
    const auto put = [&](std::uint64_t value, int bytes) {
        for (int n = 0; n < bytes; ++n) head += static_cast<char>(value >> 8 * n);
    };
    put(data + 36, 4);
    head += "WAVEfmt ";
    put(16, 4), put(1, 2), put(1, 2), put(48'000, 4), put(144'000, 4), put(3, 2), put(24, 2);
    head += "data";
    put(data, 4);
    write_text(path, head);
    fs::resize_file(path, head.size() + data);
}

/// Waits until the bounce has written some of its output. False: it ended before.
bool is_under_way(const Folder& folder, const RunningProgram& program) {
    while (!program.ended()) {
        for (const auto& entry : fs::directory_iterator(folder.path())) {
            std::error_code gone;
            const auto size = fs::file_size(entry.path(), gone);
            if (!gone && entry.path().filename().string().starts_with(".kitfold") && size > 100'000)
                return true;
        }
        std::this_thread::sleep_for(std::chrono::milliseconds(1));
    }
    return false;
}

} // namespace

TEST_CASE("bounce does its job and says so", "[offline]") {
    const Take take;
    const ProgramRun run = take.bounce({"-o", take.path("drums.wav")});
    CHECK(run.exit_code == 0);
    CHECK(run.err.empty()); // no progress where there is no terminal
    CHECK_THAT(run.out, Contains("LUFS") && Contains("dBTP") && Contains("Kick") && Contains("recall.html"));
    SF_INFO info{};
    read_sound(take.path("drums.wav"), &info);
    CHECK(info.frames == 24'000);
    CHECK(info.channels == 2);
    CHECK(fs::exists(take.path("drums.recall.json")));

    const ProgramRun again =
        take.bounce({"-o", take.path("drums.flac"), "--json", "--stems", take.path("stems")});
    CHECK(again.exit_code == 0);
    const Json json = Json::parse(again.out);
    CHECK(json["kitfold_bounce"] == 1);
    CHECK(json["mics"].size() == 2);
    CHECK(fs::exists(take.path("stems/01 Kick.flac")));
}

TEST_CASE("bounce refuses what is not right, in one line, and writes nothing", "[offline]") {
    Take take;
    const std::string out = take.path("drums.wav");
    const auto refused = [&](const std::vector<std::string>& arguments,
                             const std::vector<std::string>& words) {
        check_refused(take, arguments, 2, words);
    };
    SECTION("no output") { refused({}, {"--output"}); }
    SECTION("an output of a kind that can't be written") {
        refused({"-o", take.path("drums.mp3")}, {"drums.mp3", ".wav"});
    }
    SECTION("an output that is a folder") {
        fs::create_directory(take.path("there.wav"));
        refused({"-o", take.path("there.wav")}, {"there.wav", "folder"});
    }
    SECTION("an output over an input") { refused({"-o", take.path("kick.wav")}, {"kick.wav", "recording"}); }
    SECTION("an output over an input by a symbolic link") {
        fs::create_symlink("snare.wav", take.path("link.wav"));
        refused({"-o", take.path("link.wav")}, {"link.wav", "recording"});
    }
    SECTION("an output over an input by a hard link") {
        fs::create_hard_link(take.path("snare.wav"), take.path("link.wav"));
        refused({"-o", take.path("link.wav")}, {"link.wav", "recording"});
    }
    SECTION("a stem over an input") {
        fs::create_directory(take.path("stems"));
        fs::create_hard_link(take.path("kick.wav"), take.path("stems/01 Kick.wav"));
        refused({"-o", out, "--stems", take.path("stems")}, {"01 Kick.wav", "recording"});
    }
    SECTION("stems into a file") { refused({"-o", out, "--stems", take.path("kick.wav")}, {"kick.wav"}); }
    SECTION("a rate that is none") { refused({"-o", out, "--rate", "10"}, {"--rate", "8000"}); }
    SECTION("a missing recording") {
        take.use("kick.wav", "gone.wav");
        refused({"-o", out}, {"gone.wav", "no such file"});
    }
    SECTION("a recording that is a folder") {
        fs::create_directory(take.path("room.wav"));
        take.use("kick.wav", "room.wav");
        refused({"-o", out}, {"room.wav", "folder"});
    }
    SECTION("a recording that is no audio") {
        write_text(take.path("notes.wav"), "kick was too loud");
        take.use("kick.wav", "notes.wav");
        refused({"-o", out}, {"notes.wav", "not audio"});
    }
    SECTION("a recording cut short") {
        write_text(take.path("half.wav"), bytes_of_file(take.path("kick.wav")).substr(0, 30'000));
        take.use("kick.wav", "half.wav");
        refused({"-o", out}, {"half.wav", "cut short"});
    }
    SECTION("a FLAC recording cut short, found while mixing") {
        write_sound(take.path("whole.flac"), sine(100.0, 0.5, 2.0), SF_FORMAT_FLAC | SF_FORMAT_PCM_16);
        const std::string whole = bytes_of_file(take.path("whole.flac"));
        write_text(take.path("half.flac"), whole.substr(0, whole.size() / 2));
        take.use("kick.wav", "half.flac");
        refused({"-o", out, "--stems", take.path("stems")}, {"half.flac", "breaks off"});
    }
    SECTION("a recording with no samples") {
        write_sound(take.path("none.wav"), {}, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
        take.use("kick.wav", "none.wav");
        refused({"-o", out}, {"none.wav", "no samples"});
    }
    SECTION("a channel that is not there") {
        Json session = Take::two("kick.wav", "snare.wav");
        session["mics"][1]["channel"] = 2;
        take.write(session);
        refused({"-o", out}, {"snare.wav", "channel 2"});
    }
    SECTION("unequal rates") {
        write_sound(take.path("slow.wav"), sine(100.0, 0.5, 0.5, 44'100.0), SF_FORMAT_WAV | SF_FORMAT_PCM_24,
                    44'100);
        take.use("kick.wav", "slow.wav");
        refused({"-o", out}, {"slow.wav", "44100", "48000", "--rate"});
    }
    SECTION("float in FLAC") {
        Json session = Take::two("kick.wav", "snare.wav");
        session["output"]["bits"] = 32;
        take.write(session);
        refused({"-o", take.path("drums.flac")}, {"drums.flac", "16 or 24"});
    }
    SECTION("a misspelt key") {
        Json session = Take::two("kick.wav", "snare.wav");
        session["mics"][0]["levl_db"] = 3;
        take.write(session);
        refused({"-o", out}, {"session.json", "levl_db", "level_db"});
    }
    SECTION("a level out of range") {
        Json session = Take::two("kick.wav", "snare.wav");
        session["mics"][0]["level_db"] = 30;
        take.write(session);
        refused({"-o", out}, {"session.json", "mics[0].level_db", "12"});
    }
}

TEST_CASE("bounce says when the disk says no, and leaves nothing", "[offline]") {
    const Take take;
    SECTION("no such folder") {
        check_refused(take, {"-o", take.path("nowhere/drums.wav")}, 3, {"nowhere/drums.wav", "No such file"});
    }
    SECTION("a folder that takes no files") {
        check_refused(take, {"-o", "/proc/drums.wav"}, 3, {"/proc/drums.wav"});
    }
    SECTION("a file may not grow as large as it should") {
        rlimit limit{}, small{};
        getrlimit(RLIMIT_FSIZE, &limit);
        small = limit;
        small.rlim_cur = 50'000;
        setrlimit(RLIMIT_FSIZE, &small); // the program inherits it
        const ProgramRun run = take.bounce({"-o", take.path("drums.wav")});
        setrlimit(RLIMIT_FSIZE, &limit);
        CHECK(run.exit_code == 3);
        CHECK(run.err_lines() == 1);
        CHECK_THAT(run.err, Contains("drums.wav") && Contains("can't be written"));
        CHECK(entries_in(take.folder) == 3);
    }
    SECTION("the disk is full") {
        fs::create_directory(take.path("full"));
        const std::string script = "mount -t tmpfs -o size=64k none '" + take.path("full") +
                                   "' || exit 99; '" + KITFOLD_PROGRAM + "' bounce '" +
                                   take.folder.path().string() + "' -o '" + take.path("full/drums.wav") +
                                   "' 2>'" + take.path("err") + "'; code=$?; ls -A '" + take.path("full") +
                                   "' >'" + take.path("left") + "'; exit $code";
        write_text(take.path("script"), script);
        const int status = std::system(("unshare -rm sh '" + take.path("script") + "' 2>/dev/null").c_str());
        if (!WIFEXITED(status) || WEXITSTATUS(status) == 99 || WEXITSTATUS(status) == 1 ||
            WEXITSTATUS(status) == 127) {
            WARN("this machine lets nobody mount a small disk; not tried");
            return;
        }
        CHECK(WEXITSTATUS(status) == 3);
        CHECK_THAT(bytes_of_file(take.path("err")), Contains("drums.wav") && Contains("No space left"));
        CHECK(bytes_of_file(take.path("left")).empty());
    }
}

TEST_CASE("an interrupted bounce leaves no file under the final name", "[offline]") {
    Take take;
    write_long_silence(take.path("long.wav"), 3'600.0);
    const int signal = GENERATE(SIGINT, SIGTERM, SIGHUP, SIGKILL);
    const bool overwrites = GENERATE(false, true);
    if (overwrites) REQUIRE(take.bounce({"-o", take.path("drums.wav")}).exit_code == 0);
    const auto yesterday = bytes_of_file(take.path("drums.wav")),
               sheet = bytes_of_file(take.path("drums.recall.json"));
    take.use("long.wav", "long.wav");
    const auto entries = entries_in(take.folder);
    RunningProgram program({"bounce", take.folder.path().string(), "-o", take.path("drums.wav")});
    REQUIRE(is_under_way(take.folder, program));
    program.send(signal);
    CHECK(program.wait().exit_code == 128 + signal);
    CHECK(fs::exists(take.path("drums.wav")) == overwrites);
    CHECK((bytes_of_file(take.path("drums.wav")) == yesterday));
    CHECK((bytes_of_file(take.path("drums.recall.json")) == sheet));
    if (signal != SIGKILL) CHECK(entries_in(take.folder) == entries); // nobody can tidy up after SIGKILL
}

TEST_CASE("memory does not grow with the length", "[offline]") {
    Take take;
    Json session = Take::two("a", "b");
    session["mics"].clear();
    for (int m = 0; m < 10; ++m) {
        const std::string name = "mic" + std::to_string(m);
        session["mics"].push_back({{"name", name}, {"file", name + ".wav"}, {"delay_ms", 0.3 * m}});
        session["mics"].back()["filters"] = Json::object();
        session["mics"].back()["gate"] = {{"lookahead_ms", 2}};
    }
    session["bus"] = Json::object();
    take.write(session);
    const auto peak_kib = [&](double seconds) {
        for (int m = 0; m < 10; ++m)
            write_long_silence(take.path("mic" + std::to_string(m) + ".wav"), seconds);
        const ProgramRun run = take.bounce({"-o", take.path("drums.wav")});
        CHECK(run.exit_code == 0);
        return run.peak_kib;
    };
    const long half_minute = peak_kib(30.0), four_minutes = peak_kib(240.0);
#ifndef __SANITIZE_ADDRESS__ // which keeps what was given back
    CHECK(four_minutes < 64 * 1024);
#endif
    CHECK(four_minutes - half_minute < 2 * 1024);
}
