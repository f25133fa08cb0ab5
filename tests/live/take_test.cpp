#include "live/kit.h"
#include "offline/bounce/bounce.h"
#include "offline/check/apply_fixes.h"
#include "offline/check/check.h"
#include "offline/demo/demo.h"
#include "offline/live/session_watch.h"
#include "offline/live/verdict.h"
#include "offline/util/errors.h"
#include <csignal>
#include <cstdlib>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Matchers::Contains;
namespace fs = std::filesystem;

namespace {

std::string text_of(const fs::path& path) { return bytes_of_file(path); }

/// The tracks of a take against a bounce of its inputs with its session: the same floats. The tracks end
/// earlier by the latency, which a bounce takes from the silence after the end.
void check_against_bounce(const fs::path& take, std::size_t latency) {
    bounce({.session = load_session(take), .output = take / "bounced.wav", .stems = {}, .rate_hz = {}});
    const auto live = read_sound(take / LiveTake::kTracks);
    auto bounced = read_sound(take / "bounced.wav");
    REQUIRE(bounced.size() == live.size() + 2 * latency);
    bounced.resize(live.size());
    CHECK((live == bounced)); // without printing them
    CHECK(*std::max_element(live.begin(), live.end()) > 0.05f);
}

} // namespace

TEST_CASE("the two tracks of a take equal a bounce of its inputs, sample for sample", "[live][take]") {
    const auto block = GENERATE(std::size_t{16}, std::size_t{64}, std::size_t{1'023});
    const Folder folder;
    const auto session = some_session(folder.path(), 9);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::wet);
    LiveWriter writer(engine);
    Caller caller(engine);
    caller.call_patiently(30'000, block); // before the first take, and the second after the first
    for (int take = 1; take <= 2; ++take) {
        writer.expect(std::make_unique<LiveTake>(folder / "takes", session, 48'000, 32));
        REQUIRE(engine.begin_take());
        caller.call_patiently(72'000, block);
    }
    writer.finish();
    REQUIRE(writer.finished_takes().size() == 2);
    CHECK(engine.latency() == 48 + 8); // 1 ms of look-ahead, the margin of a fractional delay
    for (const auto* take : {"take-001", "take-002"}) check_against_bounce(folder / "takes" / take, 56);
}

TEST_CASE("a demo kit with learned gates: live and bounced are the same", "[live][take]") {
    const Folder folder;
    DemoRequest request;
    request.folder = folder / "demo";
    request.kit.seconds = 12.0, request.kit.lifelike = true;
    write_demo(request);
    auto session = load_session(folder / "demo");
    (void)apply_fixes(session, check(session));
    session = load_session(folder / "demo");
    session.output.bits = 32.0;
    REQUIRE(std::any_of(session.mics.begin(), session.mics.end(),
                        [](const Mic& mic) { return mic.gate && mic.gate->key == dsp::GateKey::kit; }));

    std::vector<std::vector<float>> sound;
    for (const auto& mic : session.mics)
        sound.push_back(read_channel(audio_path(session, mic), mic.channel).samples);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::wet);
    LiveWriter writer(engine);
    writer.expect(std::make_unique<LiveTake>(folder / "takes", session, 48'000, 32));
    REQUIRE(engine.begin_take());
    std::vector<float> silence(64), left(64), right(64);
    const float* cue[] = {silence.data(), silence.data()};
    float* out[] = {left.data(), right.data()};
    std::vector<const float*> in(sound.size());
    for (std::size_t at = 0; at + 64 <= sound[0].size(); at += 64) {
        for (std::size_t m = 0; m < sound.size(); ++m) in[m] = sound[m].data() + at;
        REQUIRE(wait_until([&] { return engine.tape().writable() >= 64; }));
        engine.process(in.data(), cue, out, 64);
    }
    writer.finish();
    check_against_bounce(folder / "takes" / "take-001", engine.latency());
}

TEST_CASE("a take's inputs are what came in, at the time of day, and its log tells of edits and markers",
          "[live][take]") {
    const Folder folder;
    auto session = some_session(folder.path(), 3);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::wet);
    LiveWriter writer(engine);
    Caller caller(engine);
    caller.call(640);
    writer.expect(std::make_unique<LiveTake>(folder / "takes", session, 48'000, 24));
    REQUIRE(engine.begin_take());
    caller.call_patiently(6'400, 64);
    engine.mark();
    caller.call_patiently(640, 64);
    session.mics[0].mix.level_db = -6.0;
    engine.move_to(mix_settings(session));
    engine.note_server_loss();
    caller.call_patiently(640, 64);
    writer.finish();

    const auto take = folder / "takes" / "take-001";
    const auto log = text_of(take / "log.txt");
    CHECK_THAT(log, Contains("6400    0:00.133  marker 1"));
    CHECK_THAT(log, Contains("7040    0:00.147  edit"));
    CHECK_THAT(log, Contains("7040    0:00.147  lost: the server tells of 1 lost"));
    CHECK_THAT(log, Contains("7680    0:00.160  take ends"));
    AudioReader reader(take / "01 Mic 1.wav");
    CHECK(reader.info().frames == 7'680);
    CHECK(reader.info().format == "WAV, 24 bit");
    REQUIRE(reader.info().broadcast);
    CHECK(reader.info().broadcast->time_reference < std::int64_t{48'000} * 86'400);
    std::vector<float> sound(7'680);
    float* planes[] = {sound.data()};
    CHECK(reader.read(planes, 7'680) == 7'680);
    for (std::int64_t n = 0; n < 7'680; n += 11) // half a step of 24 bits
        CHECK(sound[std::size_t(n)] == Approx(some_drum(0, 640 + n)).epsilon(0).margin(0.51 / 8'388'608));
}

TEST_CASE("takes get the next number and never a name that is there", "[live][take]") {
    const Folder folder;
    const auto session = some_session(folder.path(), 2);
    fs::create_directories(folder / "takes" / "take-007");
    write_text(folder / "takes" / "take-007" / "log.txt", "mine");
    write_text(folder / "takes" / "take-x", "");
    CHECK(LiveTake(folder / "takes", session, 48'000, 32).name() == "take-008");
    write_text(folder / "takes" / "take-009", "a file"); // in the way
    CHECK(LiveTake(folder / "takes", session, 48'000, 32).name() == "take-010");
    CHECK(text_of(folder / "takes" / "take-007" / "log.txt") == "mine");
    write_text(folder / "file", "");
    CHECK_THROWS_AS(LiveTake(folder / "file", session, 48'000, 32), Error);
}

TEST_CASE("sound that nobody wrote in time is silence in the files, and counted", "[live][take]") {
    const Folder folder;
    const auto session = some_session(folder.path(), 2);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::wet, 0.02); // 1024 frames
    LiveWriter writer(engine);
    Caller caller(engine);
    writer.expect(std::make_unique<LiveTake>(folder / "takes", session, 48'000, 32));
    REQUIRE(engine.begin_take());
    const auto lost = [&] { return writer.look().tape_lost_frames; };
    REQUIRE(wait_until([&] {
        caller.call(4'096);
        return lost() > 0;
    }));
    caller.call(4'096); // and what is lost at the very end
    writer.finish();
    const auto sound = read_sound(folder / "takes" / "take-001" / "02 Mic 2.wav");
    REQUIRE(std::int64_t(sound.size()) == caller.frame());
    std::int64_t silent = 0;
    for (std::int64_t n = 0; n < caller.frame(); ++n) {
        if (sound[std::size_t(n)] == 0.0f)
            ++silent;
        else
            CHECK(sound[std::size_t(n)] == some_drum(1, n)); // in its place
    }
    CHECK(silent == lost());
    CHECK_THAT(text_of(folder / "takes" / "take-001" / "log.txt"), Contains("lost: "));
}

TEST_CASE("a full disk ends the take, not the sound, and the files are whole", "[live][take]") {
    const Folder folder;
    const auto session = some_session(folder.path(), 2);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::wet);
    LiveWriter writer(engine);
    Caller caller(engine);
    writer.expect(std::make_unique<LiveTake>(folder / "takes", session, 48'000, 32));
    REQUIRE(engine.begin_take());
    rlimit before{};
    REQUIRE(getrlimit(RLIMIT_FSIZE, &before) == 0);
    const auto handler = std::signal(SIGXFSZ, SIG_IGN);
    rlimit small = before;
    small.rlim_cur = 400'000; // bytes of one file: a second of drums.wav is 384,000
    REQUIRE(setrlimit(RLIMIT_FSIZE, &small) == 0);
    caller.call_patiently(96'000, 64);
    const bool told = wait_until([&] { return !writer.look().trouble.empty(); });
    REQUIRE(setrlimit(RLIMIT_FSIZE, &before) == 0);
    std::signal(SIGXFSZ, handler);
    CHECK(told);
    caller.call_patiently(9'600, 64);
    CHECK(*std::max_element(caller.output(0).begin(), caller.output(0).begin() + 64) != 0.0f);
    writer.finish();
    const auto take = folder / "takes" / "take-001";
    CHECK(read_sound(take / "01 Mic 1.wav").size() > 9'600);
    CHECK(read_sound(take / LiveTake::kTracks).size() > 2 * 9'600);
    CHECK_THAT(text_of(take / "log.txt"), Contains("given up"));
}

namespace {

/// What a killed process leaves to us: how far it was.
struct Shared {
    std::atomic<std::int64_t> frames{0};
};

[[noreturn]] void record_for_ever(const fs::path& folder, Shared& shared) {
    const auto session = some_session(folder, 4);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::wet);
    LiveWriter writer(engine);
    Caller caller(engine);
    writer.expect(std::make_unique<LiveTake>(folder / "takes", session, 48'000, 32));
    (void)engine.begin_take();
    while (true) {
        caller.call_patiently(64, 64); // the tape never holds more than 0.2 s
        shared.frames.store(caller.frame());
    }
}

void check_remains(const fs::path& take, std::int64_t frames) {
    REQUIRE_NOTHROW(load_session(take));
    for (std::size_t m = 0; m < 4; ++m) {
        const auto name = "0" + std::to_string(m + 1) + " Mic " + std::to_string(m + 1) + ".wav";
        const auto sound = read_channel(take / name).samples; // ours is stricter than libsndfile
        CHECK(std::int64_t(sound.size()) >= frames - 48'000);
        for (std::size_t n = 0; n < sound.size(); n += 101)
            REQUIRE(sound[n] == some_drum(m, std::int64_t(n)));
    }
    CHECK(AudioReader(take / LiveTake::kTracks).info().frames >= frames - 48'000 - 56);
}

} // namespace

TEST_CASE("killed at any moment, every file opens and holds all but the last second", "[live][kill]") {
    const char* asked = std::getenv("KITFOLD_KILLS");
    const int kills = asked != nullptr ? std::atoi(asked) : 20;
    std::mt19937 random(11);
    auto* shared = static_cast<Shared*>(
        mmap(nullptr, sizeof(Shared), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0));
    REQUIRE(shared != MAP_FAILED);
    for (int n = 0; n < kills; ++n) {
        const Folder folder;
        new (shared) Shared;
        const auto moment = std::int64_t(std::uniform_int_distribution<>(1, 120'000)(random));
        const pid_t child = fork();
        if (child == 0) record_for_ever(folder.path(), *shared);
        REQUIRE(child > 0);
        const bool came = wait_until([&] { return shared->frames.load() >= moment; });
        kill(child, SIGKILL);
        waitpid(child, nullptr, 0);
        REQUIRE(came);
        INFO("kill " << n << " at frame " << shared->frames.load());
        if (shared->frames.load() >
            48'000) // before, the files say nothing yet, and an empty one does not open
            check_remains(folder / "takes" / "take-001", shared->frames.load());
    }
    munmap(shared, sizeof(Shared));
}

TEST_CASE("callback, writer, watcher and checks of the growing take at once", "[live][threads]") {
    const Folder folder;
    auto session = some_session(folder.path(), 5);
    LiveEngine engine(48'000.0, mix_settings(session), Monitor::dry);
    LiveWriter writer(engine);
    std::atomic<bool> stop{false};
    std::jthread server([&] {
        Caller caller(engine);
        while (!stop.load()) {
            caller.call_patiently(64, 64);
            engine.note_server_loss();
        }
    });
    SessionWatch watch(session.path);
    TakeChecks checks;
    std::filesystem::path take;
    std::size_t takes = 0, looks = 0;
    for (int n = 0; n < 40; ++n) {
        session.mics[std::size_t(n) % 5].mix.level_db = -0.1 * n;
        if (n % 3 == 0) session.mics[1].gate.reset();
        if (n % 3 == 1) session.mics[1].gate = dsp::GateSettings{.lookahead_ms = 2.0};
        const auto edits = writer.look().edits;
        save_session(session, session.path);
        REQUIRE(wait_until([&] { return watch.changed(); }));
        engine.move_to(mix_settings(load_session(session.path)));
        if (n % 8 == 0) {
            auto news = std::make_unique<LiveTake>(folder / "takes", session, 48'000, 32);
            take = news->folder();
            writer.expect(std::move(news));
            REQUIRE(wait_until([&] { return engine.begin_take(); }));
            ++takes;
        }
        engine.mark();
        REQUIRE(wait_until([&] { return writer.look().edits > edits; }));
        (void)engine.take_open(), (void)engine.take_reduction_db();
        if (!checks.busy()) checks.ask_so_far(take, 0.5);
        if (const auto look = checks.next(false)) ++looks;
    }
    while (checks.next(true)) ++looks;
    CHECK(looks > 0);
    stop = true;
    server.join();
    writer.finish();
    CHECK(writer.finished_takes().size() == takes);
    CHECK(writer.look().markers == 40);
    CHECK(writer.look().tape_lost_frames == 0);
}

TEST_CASE("a place where nothing can be recorded is told in one line", "[live][take]") {
    const Folder folder;
    const auto session = some_session(folder.path(), 2);
    write_text(folder / "file", "");
    const auto code = [&](const std::string& record) {
        try {
            const LiveTake take(record, session, 48'000, 32);
        } catch (const Error& error) {
            CHECK_THAT(error.what(), Contains(record));
            return error.code();
        }
        return Exit::done;
    };
    CHECK(code((folder / "file").string()) == Exit::bad_input);       // no folder
    CHECK(code((folder / "file/takes").string()) == Exit::io_failed); // the disk says no
    CHECK(code("/proc/takes") == Exit::io_failed);
}
