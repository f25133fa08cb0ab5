// The program on a JACK server without hardware. Without jackd these tests say that they were skipped.
#include "live/kit.h"
#include "offline/bounce/bounce.h"
#include "offline/check/check.h"
#include "offline/demo/demo.h"
#include "offline/run_program.h"
#include <csignal>
#include <cstdio>
#include <fcntl.h>
#include <spawn.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>
#ifdef KITFOLD_JACK
#include <jack/jack.h>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Matchers::Contains;
namespace fs = std::filesystem;

extern char** environ;

namespace {

/// jackd on the dummy driver, under a name of its own.
class Server {
public:
    explicit Server(const char* port_max = "256") {
        const char* words[] = {"jackd", "-n",    name_.c_str(), "-r",    "--port-max", port_max,
                               "-d",    "dummy", "-r",          "48000", "-p",         "64",
                               "-C",    "0",     "-P",          "0",     nullptr};
        posix_spawn_file_actions_t quiet;
        posix_spawn_file_actions_init(&quiet);
        for (const int output : {1, 2})
            posix_spawn_file_actions_addopen(&quiet, output, "/dev/null", O_WRONLY, 0);
        if (posix_spawnp(&id_, "jackd", &quiet, nullptr, const_cast<char**>(words), environ) != 0) id_ = 0;
        posix_spawn_file_actions_destroy(&quiet);
    }
    ~Server() { stop(); }
    Server(const Server&) = delete;
    Server& operator=(const Server&) = delete;

    void stop() {
        if (id_ == 0) return;
        kill(id_, SIGTERM);
        waitpid(id_, nullptr, 0);
        id_ = 0;
    }
    [[nodiscard]] bool runs() const { return id_ != 0; }
    [[nodiscard]] const std::string& name() const { return name_; }
    [[nodiscard]] std::vector<std::string> environment() const { return {"JACK_DEFAULT_SERVER=" + name_}; }

private:
    std::string name_ = "kitfold-test-" + std::to_string(getpid());
    pid_t id_ = 0;
};

bool skipped(const Server& server) {
    if (!server.runs()) std::puts("skipped: no jackd");
    return !server.runs();
}

/// A client that plays some_drum() into the program's ports.
class Drummer {
public:
    explicit Drummer(const Server& server) {
        jack_set_error_function([](const char*) {}); // it complains until the server is there
        wait_until([&] {
            client_ =
                jack_client_open("drummer", static_cast<jack_options_t>(JackNoStartServer | JackServerName),
                                 nullptr, server.name().c_str());
            return client_ != nullptr;
        });
    }
    ~Drummer() { jack_client_close(client_); }
    Drummer(const Drummer&) = delete;
    Drummer& operator=(const Drummer&) = delete;

    /// @param sound one per mic, played once, as soon as all are connected; empty: some_drum()
    void play(std::size_t mics, std::vector<std::vector<float>> sound = {},
              const std::vector<std::string>& names = {}) {
        sound_ = std::move(sound);
        for (std::size_t m = 0; m < mics; ++m)
            ports_.push_back(jack_port_register(client_, ("drum " + std::to_string(m + 1)).c_str(),
                                                JACK_DEFAULT_AUDIO_TYPE, JackPortIsOutput, 0));
        jack_set_process_callback(client_, process, this);
        REQUIRE(jack_activate(client_) == 0);
        for (std::size_t m = 0; m < mics; ++m)
            REQUIRE(jack_connect(
                        client_, jack_port_name(ports_[m]),
                        ("kitfold:" + (names.empty() ? "Mic " + std::to_string(m + 1) : names[m])).c_str()) ==
                    0);
        connected_ = true; // on a busy machine ten connections take longer than the first strokes
    }
    [[nodiscard]] std::int64_t played() const { return frame_.load(); }
    [[nodiscard]] jack_client_t* client() const { return client_; }

private:
    static int process(jack_nframes_t frames, void* self) {
        auto& my = *static_cast<Drummer*>(self);
        const bool plays = my.connected_; // all mics from the same block on
        for (std::size_t m = 0; m < my.ports_.size(); ++m) {
            auto* to = static_cast<float*>(jack_port_get_buffer(my.ports_[m], frames));
            for (jack_nframes_t n = 0; n < frames; ++n) to[n] = plays ? my.sample(m, my.frame_ + n) : 0.0f;
        }
        if (plays) my.frame_ += frames;
        return 0;
    }

    [[nodiscard]] float sample(std::size_t mic, std::int64_t frame) const {
        if (sound_.empty()) return some_drum(mic, frame);
        return frame < std::int64_t(sound_[mic].size()) ? sound_[mic][std::size_t(frame)] : 0.0f;
    }

    jack_client_t* client_ = nullptr;
    std::vector<jack_port_t*> ports_;
    std::vector<std::vector<float>> sound_;
    std::atomic<std::int64_t> frame_{0};
    std::atomic<bool> connected_{false};
};

Session saved_session(const Folder& folder, std::size_t mics) {
    auto session = some_session(folder.path(), mics);
    save_session(session, session.path);
    return session;
}

/// How long the file is at the moment; 0 when it is not there or says nothing yet.
std::int64_t frames_of(const fs::path& file) {
    try {
        return AudioReader(file).info().frames;
    } catch (const std::exception&) {
        return 0;
    }
}

} // namespace

TEST_CASE("live on a server: edits glide in, broken ones are refused, takes are whole and equal a bounce",
          "[live][server]") {
    Server server;
    if (skipped(server)) return;
    const Folder folder;
    auto session = saved_session(folder, 6);
    Drummer drummer(server);
    RunningProgram program(
        {"live", folder.path().string(), "--record", (folder / "takes").string(), "--json", "--connect"},
        server.environment());
    REQUIRE(program.has_said("take-001 is recorded"));
    REQUIRE(program.has_said("Mic 1 is joined to nothing: the hardware has 0 inputs"));
    drummer.play(6);
    const auto take = folder / "takes" / "take-001";
    REQUIRE(wait_until([&] { return frames_of(take / LiveTake::kTracks) > 48'000; }));

    write_text(session.path, "{\"kitfold_session\": 1, \"mics\": [}");
    REQUIRE(program.has_said("refused, the former session plays on"));
    session.mics[2].mix.level_db = -3.0;
    save_session(session, session.path);
    REQUIRE(program.has_said("the session was changed and glides in"));
    session.mics.pop_back();
    save_session(session, session.path);
    REQUIRE(program.has_said("its mics are others now"));
    REQUIRE(wait_until([&] { return bytes_of_file(take / "log.txt").find("edit: ") != std::string::npos; }));
    program.send(SIGINT);
    const auto run = program.wait();
    CHECK(run.exit_code == 0);
    CHECK(run.err.empty());
    CHECK(load_session(take).mics[2].mix.level_db == -3.0);
    CHECK_THAT(bytes_of_file(take / "log.txt"), Contains("take ends"));
}

TEST_CASE("live on a server: with the session left alone the two tracks equal a bounce", "[live][server]") {
    Server server;
    if (skipped(server)) return;
    const Folder folder;
    saved_session(folder, 6);
    Drummer drummer(server);
    RunningProgram program(
        {"live", folder.path().string(), "--record", (folder / "takes").string(), "--json"},
        server.environment());
    REQUIRE(program.has_said("take-001 is recorded"));
    drummer.play(6);
    const auto take = folder / "takes" / "take-001";
    REQUIRE(wait_until([&] { return frames_of(take / LiveTake::kTracks) > 96'000; }));
    program.send(SIGTERM);
    CHECK(program.wait().exit_code == 0);
    // buffers that a busy server lost are missing in inputs and tracks alike
    bounce({.session = load_session(take), .output = take / "bounced.wav", .stems = {}, .rate_hz = {}});
    const auto live = read_sound(take / LiveTake::kTracks);
    auto bounced = read_sound(take / "bounced.wav");
    REQUIRE(bounced.size() == live.size() + 2 * 56);
    bounced.resize(live.size());
    CHECK((live == bounced)); // without printing them
    CHECK(*std::max_element(live.begin(), live.end()) > 0.05f);
}

TEST_CASE("live on a server: Enter begins a take, m sets a marker, q stops, and each take is checked",
          "[live][server]") {
    Server server;
    if (skipped(server)) return;
    const Folder folder;
    saved_session(folder, 2);
    Drummer drummer(server);
    REQUIRE(mkfifo((folder / "keys").c_str(), 0600) == 0);
    const int keys = open((folder / "keys").c_str(), O_RDWR);
    RunningProgram program(
        {"live", folder.path().string(), "--record", (folder / "takes").string(), "--json", "--check"},
        server.environment(), (folder / "keys").string());
    const auto press = [&](const char* key) { REQUIRE(write(keys, key, 1) == 1); };
    REQUIRE(program.has_said("take-001 is recorded"));
    drummer.play(2);
    REQUIRE(wait_until([&] { return frames_of(folder / "takes" / "take-001" / "drums.wav") > 24'000; }));
    press("m");
    const auto log = folder / "takes" / "take-001" / "log.txt";
    REQUIRE(wait_until([&] { return bytes_of_file(log).find("marker 1") != std::string::npos; }));
    press("\n");
    REQUIRE(program.has_said("take-002 is recorded"));
    REQUIRE(wait_until([&] { return frames_of(folder / "takes" / "take-002" / "drums.wav") > 24'000; }));
    press("q");
    const auto run = program.wait();
    close(keys);
    CHECK(run.exit_code == 0);
    CHECK_THAT(bytes_of_file(log), Contains("take ends"));
    CHECK_THAT(run.out, Contains("take-001: ") && Contains("take-002: "));
    CHECK(fs::exists(folder / "takes" / "take-002" / "check.txt"));
}

TEST_CASE("live on a server: a soundcheck writes what check would apply, and it glides in",
          "[live][server]") {
    Server server;
    if (skipped(server)) return;
    const Folder folder;
    DemoRequest request;
    request.folder = folder / "demo";
    request.kit.seconds = 12.0, request.kit.lifelike = request.kit.turned_cable = true;
    write_demo(request);
    const auto session = load_session(folder / "demo");
    std::vector<std::vector<float>> sound;
    std::vector<std::string> names;
    for (const auto& mic : session.mics)
        sound.push_back(read_channel(audio_path(session, mic), mic.channel).samples),
            names.push_back(mic.name);
    Drummer drummer(server);
    REQUIRE(mkfifo((folder / "keys").c_str(), 0600) == 0);
    const int keys = open((folder / "keys").c_str(), O_RDWR);
    RunningProgram program(
        {"live", (folder / "demo").string(), "--record", (folder / "takes").string(), "--json", "--learn"},
        server.environment(), (folder / "keys").string());
    REQUIRE(program.has_said("take-001 is recorded"));
    drummer.play(names.size(), sound, names);
    REQUIRE(program.has_said("\"arrival\":{")); // while the drummer plays
    REQUIRE(wait_until([&] { return drummer.played() > std::int64_t(sound[0].size()); }));
    REQUIRE(write(keys, "\n", 1) == 1);
    REQUIRE(program.has_said("learned: written into"));
    REQUIRE(program.has_said("the session was changed and glides in"));
    program.send(SIGKILL); // nothing more is to be learned
    (void)program.wait();
    close(keys);
    const auto result = check(load_session(folder / "takes" / "take-001"));
    const auto learned = load_session(folder / "demo");
    REQUIRE_FALSE(result.fixes.empty());
    for (const auto& fix : result.fixes) {
        CHECK(learned.mics[fix.mic].mix.delay_ms == fix.delay_ms);
        CHECK((learned.mics[fix.mic].mix.polarity == dsp::Polarity::inverted) == fix.inverted);
    }
}

TEST_CASE("live on a server: a server that changes its block size, and one that goes", "[live][server]") {
    Server server;
    if (skipped(server)) return;
    const Folder folder;
    saved_session(folder, 2);
    Drummer drummer(server);
    RunningProgram program(
        {"live", folder.path().string(), "--record", (folder / "takes").string(), "--json"},
        server.environment());
    REQUIRE(program.has_said("take-001 is recorded"));
    drummer.play(2);
    const auto take = folder / "takes" / "take-001";
    REQUIRE(wait_until([&] { return frames_of(take / LiveTake::kTracks) > 24'000; }));
    REQUIRE(jack_set_buffer_size(drummer.client(), 1'024) == 0);
    REQUIRE(wait_until(
        [&] { return bytes_of_file(take / "log.txt").find("block size is 1024") != std::string::npos; }));
    server.stop();
    const auto run = program.wait();
    CHECK(run.exit_code == 3);
    CHECK(run.err_lines() == 1);
    CHECK_THAT(run.err, Contains("the JACK server stopped"));
    CHECK(frames_of(take / LiveTake::kTracks) > 24'000);
    CHECK(frames_of(take / "01 Mic 1.wav") > 24'000);
    CHECK_THAT(bytes_of_file(take / "log.txt"), Contains("take ends"));
}

TEST_CASE("live refuses what it can't do with one line and writes nothing", "[live][server]") {
    const Folder folder;
    auto session = saved_session(folder, 6);
    const auto live = [&](const std::vector<std::string>& more, const std::vector<std::string>& environment) {
        std::vector<std::string> words = {"live", folder.path().string()};
        words.insert(words.end(), more.begin(), more.end());
        return run_program(words, environment);
    };
    SECTION("no server") {
        const auto run =
            live({"--record", (folder / "takes").string()}, {"JACK_DEFAULT_SERVER=kitfold-test-none"});
        CHECK(run.exit_code == 3);
        CHECK(run.err_lines() == 1);
        CHECK_THAT(run.err, Contains("no JACK server answers") && Contains("jackd -r -d dummy"));
    }
    SECTION("usage") {
        CHECK(live({"--check"}, {}).exit_code == 2);
        CHECK(live({"--learn"}, {}).exit_code == 2);
        CHECK(live({"--bits", "16"}, {}).exit_code == 2);
    }
    SECTION("another rate than the server's, or more mics than ports") {
        Server server("16");
        if (skipped(server)) return;
        { Drummer drummer(server); } // the server is there
        write_sound(folder / "Mic 2.wav", std::vector<float>(100), SF_FORMAT_WAV | SF_FORMAT_FLOAT, 44'100);
        const auto other = live({"--record", (folder / "takes").string()}, server.environment());
        CHECK(other.exit_code == 2);
        CHECK(other.err_lines() == 1);
        CHECK_THAT(other.err, Contains("44100 Hz (Mic 2.wav)") && Contains("48000 Hz"));
        fs::remove(folder / "Mic 2.wav");
        session = saved_session(folder, 32);
        const auto many = live({"--record", (folder / "takes").string()}, server.environment());
        CHECK(many.exit_code == 2);
        CHECK(many.err_lines() == 1);
        CHECK_THAT(many.err, Contains("JACK gives no port"));
    }
    CHECK_FALSE(fs::exists(folder / "takes"));
}
#endif
