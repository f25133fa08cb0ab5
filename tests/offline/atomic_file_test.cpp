#include "offline/files.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>
#include <csignal>
#include <memory>
#include <sys/wait.h>

using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Contains;

TEST_CASE("a file appears whole or not at all", "[files]") {
    Folder folder;
    const auto path = folder / "a.txt";
    {
        AtomicFile file(path);
        file.write("half");
        CHECK_FALSE(std::filesystem::exists(path));
    }
    CHECK(entries_in(folder) == 0);
    write_whole_file(path, "whole");
    CHECK(bytes_of_file(path) == "whole");
    {
        AtomicFile file(path);
        file.write("other");
    }
    CHECK(bytes_of_file(path) == "whole"); // what was there stays
    write_whole_file(path, "new");
    CHECK(bytes_of_file(path) == "new");
    CHECK(entries_in(folder) == 1);
}

TEST_CASE("a longest name, a link, a folder, a device, no folder", "[files]") {
    Folder folder;
    write_whole_file(folder / std::string(255, 'n'), "x");
    write_text(folder / "real.txt", "old");
    std::filesystem::create_symlink("real.txt", folder / "link.txt");
    write_whole_file(folder / "link.txt", "new");
    CHECK(std::filesystem::is_symlink(folder / "link.txt"));
    CHECK(bytes_of_file(folder / "real.txt") == "new");
    CHECK_THROWS_WITH(AtomicFile(folder.path()), Contains("is a folder"));
    CHECK_THROWS_WITH(AtomicFile("/dev/null"), Contains("is not an ordinary file"));
    CHECK_THROWS_WITH(AtomicFile(folder / "none/a.txt"), Contains("can't be written: No such file"));
}

TEST_CASE("many files at once, no more than there is room for", "[files]") {
    Folder folder;
    std::vector<std::unique_ptr<AtomicFile>> files;
    for (int i = 0; i < 256; ++i)
        files.push_back(std::make_unique<AtomicFile>(folder / ("f" + std::to_string(i))));
    CHECK_THROWS_WITH(AtomicFile(folder / "more"), Contains("too many files"));
    files.clear();
    CHECK(entries_in(folder) == 0);
}

TEST_CASE("an interrupt removes unfinished files and keeps finished ones", "[files]") {
    const int number = GENERATE(SIGINT, SIGTERM, SIGHUP);
    Folder folder;
    write_text(folder / "b.txt", "before");
    const pid_t child = ::fork();
    if (child == 0) {
        std::signal(number, SIG_DFL);
        remove_unfinished_files_when_interrupted();
        write_whole_file(folder / "done.txt", "done");
        AtomicFile first(folder / "a.txt"), second(folder / "b.txt");
        first.write("half");
        std::raise(number);
        ::_exit(0);
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    CHECK((WIFSIGNALED(status) && WTERMSIG(status) == number));
    CHECK(entries_in(folder) == 2);
    CHECK(bytes_of_file(folder / "b.txt") == "before");
    CHECK(bytes_of_file(folder / "done.txt") == "done");
}
